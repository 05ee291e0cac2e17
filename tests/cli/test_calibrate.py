"""`dutylog calibrate` as people type it: led by prompts, in one line, and showing what was stored."""

from __future__ import annotations

import json
import socket
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import click
import pytest
from click.testing import CliRunner, Result

from dutylog.cli.calibrate import (
    CAUTIONS,
    UNITS,
    Job,
    LiveReader,
    RawReading,
    calibrate,
    length,
    measure,
    read_bodies,
)
from dutylog.cli.main import main
from dutylog.clock import SystemClock
from dutylog.errors import SourceLost
from dutylog.ledger.calibrations import TravelCalibration, in_force
from dutylog.motion.calibration_fit import LINE, TapePoint
from dutylog.sockets import LIVE, unix_address
from ledger.builders import fill, open_ledger

POINTS = ["--point", "3000", "690", "--point", "12000", "612.5", "--point", "24000", "505"]
TRAVEL = ["calibrate", "travel", "front_left", "--by", "Ann", "--extended", "715"]
BODY = ["calibrate", "temperature", "front_left", "--by", "Bo", "--rested", "9"]


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """A data folder with four dampers of 254 mm stroke."""
    with open_ledger(tmp_path) as ledger:
        fill(ledger)
    return tmp_path


def run(capsys: pytest.CaptureFixture[str], data: Path, *arguments: str) -> str:
    assert main([*arguments, "--data", str(data)]) == 0
    return capsys.readouterr().out


def refuse(capsys: pytest.CaptureFixture[str], data: Path, *arguments: str) -> str:
    """Return the one line on standard error of a command that ends with 2 and stores nothing."""
    before = stored(data)
    assert main([*arguments, "--data", str(data)]) == 2
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert stored(data) == before
    return err


def stored(data: Path) -> dict[str, Any]:
    with open_ledger(data) as ledger:
        assert ledger.verify_chain() is None
        return in_force(ledger)


def travel_in(data: Path) -> TravelCalibration:
    found = stored(data)["front_left"].travel
    assert found is not None
    return found


def converse(data: Path, *answers: str, options: tuple[str, ...] = ("--extended", "715")) -> Result:
    """Run the interactive form with what a person types, line by line."""
    arguments = ["travel", "front_left", "--by", "Ann", *options, "--data", str(data)]
    return CliRunner().invoke(calibrate, arguments, input="\n".join(answers) + "\n", catch_exceptions=False)


# -- typed in one line


def test_points_in_one_line_are_fitted_shown_and_stored(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = run(capsys, data, *TRAVEL, *POINTS, "--note", "stands", "--corrects")
    lines = text.splitlines()
    assert lines[0].split() == ["point", "counts", "noise", "length", "mm", "travel", "mm", "off", "mm"]
    assert lines[2].split() == ["2", "12000.0", "-", "612.5", "102.5", "-1.2", "worst"]
    assert "full extension 715.0 mm, stroke 254.0 mm; 8.818 mm for 1000 counts" in text
    assert "scale of travel within 2.2%, so energy within about 4.3%; travel within" in text
    assert "note: the last 44.0 mm to full bump were not measured: the line goes on straight" in text
    assert lines[-1] == "calibration of the travel sensor at front_left stored by Ann as entry 9"
    found = travel_in(data)
    assert found.points == (TapePoint(3000, 690), TapePoint(12_000, 612.5), TapePoint(24_000, 505))
    assert (found.signed.note, found.signed.corrects, found.signed.is_remounted) == ("stands", True, False)


def test_inches_and_fractions_are_what_a_tape_shows(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    points = ["--point", "3000", "27 1/4", "--point", "12000", "24-1/8", "--point", "24000", "19.875"]
    text = run(capsys, data, *TRAVEL[:-1], "28-1/4", *points, "--unit", "in")
    assert "stroke 10.00 in" in text
    found = travel_in(data)
    assert [p.length_mm for p in found.points] == [27.25 * 25.4, 24.125 * 25.4, 19.875 * 25.4]
    assert found.extended_mm == 28.25 * 25.4


def test_a_length_at_full_bump_and_the_stroke_give_full_extension(
    data: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run(capsys, data, *TRAVEL[:-2], "--compressed", "461", *POINTS)
    assert travel_in(data).extended_mm == 715


def test_a_dry_run_stores_nothing(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(capsys, data, *TRAVEL, *POINTS, "--dry-run").endswith("nothing was stored (--dry-run)\n")
    assert stored(data) == {}


def test_a_change_against_the_one_in_force_is_told(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "against" not in run(capsys, data, *TRAVEL, *POINTS)
    again = run(capsys, data, *TRAVEL, *POINTS)
    assert "against the one in force: scale +0.0%, 0.0 mm at its full extension" in again
    assert "that is a change" not in again
    moved = ["--point", "5000", "690", "--point", "14000", "612.5", "--point", "26000", "505"]
    changed = run(capsys, data, *TRAVEL, *moved)
    assert "against the one in force: scale +0.0%, -17.6 mm at its full extension" in changed
    assert "that is a change: give --remounted if it was mounted anew" in changed
    turned = ["--point", "26000", "690", "--point", "17000", "612.5", "--point", "5000", "505"]
    assert "against the one in force: counts run the other way" in run(capsys, data, *TRAVEL, *turned, "--remounted")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([*TRAVEL, "--point", "3000", "690x"], "'690x' is no length; write 690, 27.25 or 27-1/4"),
        ([*TRAVEL, "--point", "3000", "1/0"], "'1/0' is no length"),
        ([*TRAVEL, "--point", "many", "690"], "'many' is not a valid float"),
        ([*TRAVEL, *POINTS[:6]], "the points span 77.5 mm of 254.0 mm stroke, 31 %"),
        (
            [*TRAVEL, "--unit", "in", *POINTS],
            "full extension: a length of 715.00 in eye to eye, expected 1.97 in to 118",
        ),
        ([*TRAVEL[:-2], *POINTS], "the length at full extension is needed: give --extended or --compressed"),
        ([*TRAVEL, *POINTS, "--compressed", "461"], "give one of --extended and --compressed, not both"),
        ([*TRAVEL, *POINTS, "--remounted", "--corrects"], "a sensor mounted anew says nothing of the past"),
        (
            [*TRAVEL[:2], "front_lift", *TRAVEL[3:], *POINTS],
            "has no position front_lift; the nearest known is front_left",
        ),
        ([*TRAVEL[:3], *TRAVEL[5:], *POINTS], "Missing option '--by'"),
        ([*TRAVEL, *POINTS, "--note", "a\nb"], "note: 'a\\nb' must be printable"),
        ([*BODY, "--body", "11"], "give both --body and --ambient, or neither to ask the running daemon"),
        ([*BODY, "--body", "20", "--ambient", "13"], "the body reads 7.0 K high against the air"),
        ([*BODY[:-1], "1", "--body", "12", "--ambient", "13"], "at rest for 1 h, at least 3 h"),
        ([*BODY[:-1], "nan", "--body", "12", "--ambient", "13"], "at rest for nan h"),
        (BODY, "no daemon runs on"),
        (["calibrate", "show", "front_lift"], "has no position front_lift"),
    ],
)
def test_bad_input_is_one_line_and_status_2(
    data: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], words: str
) -> None:
    assert words in refuse(capsys, data, *arguments)


def test_a_folder_without_a_ledger_is_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*TRAVEL, *POINTS, "--data", str(tmp_path)]) == 2
    assert "there is no ledger" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_a_vehicle_file_alone_is_enough(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The first thing in the life of a logger may be its calibration."""
    demo = Path(__file__).parents[2] / "shared" / "demo_vehicle.toml"
    run(capsys, tmp_path, *TRAVEL, *POINTS, "--config", str(demo))
    assert travel_in(tmp_path).stroke_mm == 254


# -- led by prompts


def test_a_person_is_led_from_the_cautions_to_the_store(data: Path) -> None:
    done = converse(data, "y", "715", "3000", "690", "12000", "612.5", "24000", "505", "s", options=())
    assert done.exit_code == 0
    assert done.output.startswith(CAUTIONS)
    assert done.output.count(CAUTIONS) == 1
    asked = [
        done.output.index(words)
        for words in ("Is all of this seen to?", "Eye to eye at full ext", "Point 1", "Point 3")
    ]
    assert asked == sorted(asked)
    assert done.output.endswith("stored by Ann as entry 9\n")
    assert travel_in(data).points == (TapePoint(3000, 690), TapePoint(12_000, 612.5), TapePoint(24_000, 505))


def test_cautions_say_what_can_hurt() -> None:
    for words in ("on stands", "only a jack holds", "burn", "Never let gas out", "spring out", "qualified technician"):
        assert words in CAUTIONS


def test_who_does_not_confirm_the_cautions_measures_nothing(data: Path) -> None:
    done = converse(data, "n")
    assert (done.exit_code, "Point 1" in done.output) == (0, False)
    assert done.output.endswith("nothing was stored\n")
    assert converse(data, "").output.endswith("nothing was stored\n")
    assert stored(data) == {}


def test_a_wrong_point_is_named_measured_again_and_then_taken(data: Path) -> None:
    done = converse(data, "y", "3000", "690", "12000", "590", "24000", "505", "2", "12000", "612.5", "s")
    assert "not good enough: point 2 is " in done.output
    assert "measure point 2 again" in done.output
    assert done.output.endswith("stored by Ann as entry 9\n")
    assert travel_in(data).points[1] == TapePoint(12_000, 612.5)


def test_what_is_not_good_enough_can_not_be_stored(data: Path) -> None:
    done = converse(data, "y", "3000", "690", "12000", "590", "24000", "505", "s", "7", "q")
    assert "'s' is none of these" in done.output
    assert "'7' is none of these" in done.output
    assert done.output.endswith("nothing was stored\n")
    assert stored(data) == {}


def test_a_point_can_be_added_and_full_extension_corrected(data: Path) -> None:
    heights = ("3000", "690", "12000", "612.5", "24000", "505")
    done = converse(data, "y", *heights, "e", "716", "a", "18000", "558", "s", options=("--extended", "685"))
    assert "point 1 is 5.0 mm longer than full extension" not in done.output  # 5 mm is the limit
    found = travel_in(data)
    assert found.extended_mm == 716
    assert found.points[3] == TapePoint(18_000, 558)


def test_slips_of_the_fingers_are_asked_again(data: Path) -> None:
    done = converse(data, "y", "3k", "3000", "6..9", "690", "12000", "612.5", "24000", "505", "s")
    assert "'3k' is no number of counts" in done.output
    assert "'6..9' is no length; write 690, 27.25 or 27-1/4" in done.output
    assert travel_in(data).points[0] == TapePoint(3000, 690)


def test_hanging_up_in_the_middle_stores_nothing(data: Path) -> None:
    done = converse(data, "y", "3000", "690", "12000")
    assert done.exit_code == 1  # click's own; `main` makes 130 of the same Abort
    assert stored(data) == {}


def test_without_live_counts_it_says_how_to_go_on(data: Path) -> None:
    done = converse(data, "y", "", "3000", "690", "12000", "612.5", "24000", "505", "s")
    assert f"no daemon runs on {data}; start `dutylog run`" in done.output
    assert "type the counts by hand (--point RAW LENGTH)" in done.output
    assert done.output.endswith("stored by Ann as entry 9\n")


class ScriptedReader:
    """Counts from a list; what was asked for is kept."""

    def __init__(self, *readings: RawReading) -> None:
        self.readings = list(readings)
        self.asked: list[str] = []

    def read(self, position: str) -> RawReading:
        self.asked.append(position)
        return self.readings.pop(0)


def test_live_counts_go_with_their_noise_into_the_points() -> None:
    """A shaky reading is offered again before anybody reads the tape."""
    quiet = [RawReading(3000.0, 4.5, 2.0), RawReading(12_000.25, 3.0, 2.0), RawReading(24_000.0, 5.0, 2.0)]
    reader = ScriptedReader(quiet[0], RawReading(11_000.0, 400.0, 2.0), *quiet[1:])
    found: list[object] = []

    @click.command()
    def ask() -> None:
        found.append(measure(Job("front_left", 254.0, LINE, UNITS["mm"], ()), 715.0, reader))

    done = CliRunner().invoke(ask, input="y\n\n690\n\ny\n\n612.5\n\n505\ns\n", catch_exceptions=False)
    assert "  3000.0 counts, noise 4.5, over 2 s" in done.output
    assert "that is shaky: still moving? Read again" in done.output
    assert reader.asked == ["front_left"] * 4
    points = [TapePoint(3000, 690, 4.5), TapePoint(12_000.25, 612.5, 3), TapePoint(24_000, 505, 5)]
    assert found == [(points, 715.0)]


# -- the daemon's snapshots


@pytest.fixture
def serve(tmp_path: Path) -> Iterator[Callable[..., Path]]:
    """Return a way to hand out lines on live.sock of a folder, all at once, then hang up."""
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    threads: list[threading.Thread] = []

    def arrange(*lines: object) -> Path:
        with unix_address(tmp_path, LIVE) as address:
            listener.bind(address)
        listener.listen(4)

        def answer() -> None:
            end, _ = listener.accept()
            with end:
                end.sendall(b"".join(x if isinstance(x, bytes) else json.dumps(x).encode() + b"\n" for x in lines))

        threads.append(threading.Thread(target=answer))
        threads[0].start()
        return tmp_path

    yield arrange
    for thread in threads:
        thread.join(10)
        assert not thread.is_alive()
    listener.close()


def snapshot(seq: int, **fields: object) -> dict[str, Any]:
    dampers = [{"position": "rear_left", "travel_raw": 1.0, "body_c": 12.5}, {"position": "front_left", **fields}]
    return {"schema": 1, "seq": seq, "ambient_c": 13.0, "dampers": dampers}


def read(folder: Path) -> RawReading:
    return LiveReader(folder, SystemClock()).read("front_left")


def test_two_snapshots_from_now_on_are_averaged(serve: Callable[..., Path]) -> None:
    """The first two may be from before the vehicle stood still; a repeated one and a broken line are no news."""
    old = [snapshot(seq, travel_raw=9.0, travel_raw_noise=9.0) for seq in (6, 7)]
    first = snapshot(8, travel_raw=5000, travel_raw_noise=3)
    folder = serve(*old, first, first, b"{]\n", b"[]\n", snapshot(9, travel_raw=5008.0, travel_raw_noise=3.0))
    # noise 3 each, and 4 to each side between the seconds: sqrt(9 + 16)
    assert read(folder) == RawReading(5004.0, 5.0, 2.0)


def test_a_daemon_that_tells_no_raw_counts_is_said(serve: Callable[..., Path]) -> None:
    folder = serve(*(snapshot(seq, travel_mm=12.0) for seq in (1, 2, 3)))
    with pytest.raises(
        SourceLost, match=r"this daemon tells no raw counts; start `dutylog run` of a version that tells"
    ):
        read(folder)


def test_a_dead_sensor_is_said(serve: Callable[..., Path]) -> None:
    folder = serve(snapshot(1, travel_raw=5.0), snapshot(2, travel_raw=5.0), snapshot(3, travel_raw=None))
    with pytest.raises(SourceLost, match="front_left: the sensor gives no counts now; check its plug, then read again"):
        read(folder)


def test_a_daemon_of_another_vehicle_is_said(serve: Callable[..., Path]) -> None:
    folder = serve({"schema": 1, "seq": 1, "dampers": []})
    with pytest.raises(SourceLost, match="the running daemon knows no position front_left; start it with this vehicle"):
        read(folder)


def test_a_daemon_that_falls_silent_is_said(serve: Callable[..., Path]) -> None:
    folder = serve(*(snapshot(seq, travel_raw=5.0) for seq in (1, 2, 3)))
    with pytest.raises(SourceLost, match="says nothing new; look at `dutylog run`, then read again"):
        read(folder)


def test_bodies_come_from_the_snapshot_without_their_offsets(serve: Callable[..., Path]) -> None:
    """Else a second calibration would find nothing left to correct and take the first one back.

    The first snapshot is what core said last, which may be some seconds ago.
    """
    folder = serve(snapshot(1, body_c=60.0, body_raw_c=60.0), snapshot(2, body_c=13.0, body_raw_c=11.5))
    assert read_bodies(folder, "front_left", SystemClock()) == (11.5, 13.0, (12.5,))


def test_a_body_without_a_temperature_is_said(serve: Callable[..., Path]) -> None:
    folder = serve(snapshot(1, body_c=12.0), snapshot(2, body_c=None))
    with pytest.raises(
        SourceLost, match="the body at front_left has no temperature now; check its thermocouple, or give"
    ):
        read_bodies(folder, "front_left", SystemClock())


def test_a_vehicle_that_moves_has_not_rested(serve: Callable[..., Path]) -> None:
    folder = serve(snapshot(1, body_c=12.0), snapshot(2, body_c=12.0) | {"moving": True})
    with pytest.raises(SourceLost, match="the vehicle moves or just did, so it hasn't rested"):
        read_bodies(folder, "front_left", SystemClock())


def test_temperature_is_calibrated_from_a_running_daemon(
    data: Path, serve: Callable[..., Path], capsys: pytest.CaptureFixture[str]
) -> None:
    assert serve(snapshot(1, body_c=11.5), snapshot(2, body_c=11.5)) == data
    text = run(capsys, data, *BODY)
    assert text.startswith("body 11.5 °C, air 13.0 °C: +1.5 K is to be added to what the body reads\n")
    assert text.endswith("calibration of the body thermocouple at front_left stored by Bo as entry 9\n")
    body = stored(data)["front_left"].body
    assert (body.offset_k, body.others_c, body.rested_h) == (1.5, (12.5,), 9)


def test_temperatures_may_be_typed_in_fahrenheit(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run(capsys, data, *BODY, "--body", "53.6", "--ambient", "55.4", "--other", "55.4", "--unit", "f")
    body = stored(data)["front_left"].body
    assert (body.body_c, body.ambient_c, *body.others_c) == pytest.approx((12.0, 13.0, 13.0))
    assert body.offset_k == pytest.approx(1.0)


# -- showing


def test_show_lists_all_and_marks_those_in_force(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(capsys, data, "calibrate", "show").startswith(
        "no calibrations yet; make one with: dutylog calibrate travel"
    )
    run(capsys, data, *TRAVEL, *POINTS)
    run(capsys, data, *BODY, "--body", "11.5", "--ambient", "13")
    run(capsys, data, *TRAVEL, *POINTS, "--remounted", "--note", "new bracket")
    lines = run(capsys, data, "calibrate", "show").splitlines()
    assert [line.split()[0] for line in lines] == ["entry", "9", "10", "11"]
    assert [line.endswith("in force") for line in lines] == [False, False, True, True]
    assert "8.818 mm for 1000 counts" in lines[1]
    assert "cold soak" in lines[2]
    assert "+1.5 K" in lines[2]
    text = run(capsys, data, "calibrate", "show", "front_left", "--units", "us")
    for words in (
        "0.3471 in for 1000 counts",
        "entry 11, mounted anew\nremark: new bracket",
        "body 11.5 °C, air 13.0 °C",
    ):
        assert words in text
    assert run(capsys, data, "calibrate", "show", "rear_left").startswith("no calibrations yet")


def test_show_as_json_is_for_programs(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run(capsys, data, *TRAVEL, *POINTS)
    run(capsys, data, *TRAVEL, *POINTS, "--corrects")
    reply = json.loads(run(capsys, data, "calibrate", "show", "--format", "json", "--units", "us"))
    assert reply["schema"] == 1
    assert [one["entry"] for one in reply["calibrations"]] == [9, 10]
    assert [one["is_in_force"] for one in reply["calibrations"]] == [False, True]
    newest = reply["calibrations"][1]
    assert (newest["by"], newest["position"], newest["corrects"]) == ("Ann", "front_left", True)
    assert [point["length_mm"] for point in newest["points"]] == [690, 612.5, 505]
    assert newest["points"][newest["worst_point"] - 1]["residual_mm"] == round(1957.5 / 222 - 10, 4)


@pytest.mark.parametrize(
    ("text", "value"), [("690", 690), ("27.25", 27.25), ("27 1/4", 27.25), ("27-1/4", 27.25), ("3/8", 0.375)]
)
def test_lengths_as_a_tape_shows_them(text: str, value: float) -> None:
    assert length(text) == value

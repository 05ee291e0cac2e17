"""The adapter: every answer of a server, real or made up, in our words."""

from __future__ import annotations

import gzip
import random
import socket
import ssl
import threading

import pytest

from dutylog.errors import OutputDown, OutputRejected
from dutylog.publish.influx import RETRY_AFTER_MAX_S, InfluxServer, parse_retry_after
from publish.brokers import make_certificates
from publish.influx_servers import ORG, TOKEN, Reply, running_fake

UTC_NS = 1_764_000_000_000_000_000
LINES = tuple(b"live,position=p%d v=%d.5 %d" % (i % 4, i, UTC_NS + i) for i in range(500))


def server_at(url, bucket="b", token=TOKEN, timeout_s=5.0):
    return InfluxServer(url, ORG, bucket, token, timeout_s=timeout_s)


def write(server, lines=LINES[:2]):
    """Write and hang up; returns what was raised, or None."""
    with server:
        try:
            server.write(lines)
        except (OutputDown, OutputRejected) as err:
            return err
    return None


# the real one


def test_a_batch_is_stored_whole(real_influx, database):
    """Numbers and times to the last digit."""
    assert write(server_at(real_influx.url, database), LINES) is None
    (series,) = real_influx.query("SELECT v FROM live", database)
    assert series["values"] == [[UTC_NS + i, i + 0.5] for i in range(500)]


def test_a_bad_line_is_rejected_with_the_databases_reason(real_influx, database):
    err = write(server_at(real_influx.url, database), [LINES[0], b"live v= 1"])
    assert isinstance(err, OutputRejected)
    assert err.indices == (0, 1)
    assert "missing field value" in str(err)


def test_a_field_of_another_type_is_rejected(real_influx, database):
    """Somebody else wrote our field as text before."""
    assert write(server_at(real_influx.url, database), [b'live v="x" %d' % UTC_NS]) is None
    err = write(server_at(real_influx.url, database), [b"live v=1.0 %d" % (UTC_NS + 1)])
    assert isinstance(err, OutputRejected)
    assert "field type conflict" in str(err)


@pytest.mark.parametrize(("token", "status"), [("wrong", 401), ("readonly", 403)])
def test_a_refused_token_is_down_and_needs_a_person(real_influx, database, token, status):
    err = write(server_at(real_influx.url, database, token))
    assert isinstance(err, OutputDown)
    assert err.is_refused
    assert str(status) in str(err)
    assert "token_file" in str(err)
    assert token not in str(err)


def test_a_missing_database_is_named(real_influx):
    err = write(server_at(real_influx.url, "nowhere"))
    assert isinstance(err, OutputDown)
    assert err.is_refused
    assert "bucket nowhere not found" in str(err)


def test_too_much_at_once_is_rejected(real_influx, database):
    """The front door takes 64 kB: random text doesn't shrink."""
    text = random.Random(1).randbytes(100_000).hex().encode()
    err = write(server_at(real_influx.url, database), [b'live v="' + text + b'" 1'])
    assert isinstance(err, OutputRejected)
    assert str(err).startswith("413")


# the fake


def test_what_goes_over_the_line(fake_influx):
    """Gzip, nanoseconds, bucket and organisation; the token in its header and nowhere else."""
    assert write(server_at(fake_influx.url), LINES) is None
    (request,) = fake_influx.history
    assert request.lines == LINES
    assert request.path == f"/api/v2/write?org={ORG}&bucket=b&precision=ns"
    assert request.headers["Content-Encoding"] == "gzip"
    assert request.headers["Authorization"] == f"Token {TOKEN}"
    assert request.body_bytes < len(b"\n".join(LINES)) / 3
    assert TOKEN not in request.path


DATABASE_SAYS = '{"code":"x","message":"because"}'


@pytest.mark.parametrize("status", [400, 413, 422])
def test_a_databases_no_to_lines_is_rejected(fake_influx, status):
    fake_influx.replies = [Reply(status, DATABASE_SAYS)]
    err = write(server_at(fake_influx.url))
    assert isinstance(err, OutputRejected)
    assert str(err) == f"{status}: because"


def test_the_reason_of_version_1_is_read_too(fake_influx):
    fake_influx.replies = [Reply(400, '{"error":"partial write"}')]
    assert str(write(server_at(fake_influx.url))) == "400: partial write"


@pytest.mark.parametrize("body", ["<html>bad request</html>", "", "[]", "null", "{}", "[" * 100_000, '{"error": 3}'])
@pytest.mark.parametrize("status", [400, 422])
def test_a_400_that_no_database_wrote_drops_nothing(fake_influx, status, body):
    """A proxy between, or plain HTTP at a TLS port: it would say so to every line."""
    fake_influx.replies = [Reply(status, body)]
    err = write(server_at(fake_influx.url))
    assert isinstance(err, OutputDown)
    assert err.is_refused


@pytest.mark.parametrize("status", [200, 201, 202])
def test_only_204_means_stored(fake_influx, status):
    """The sign-in page of a hotspot says 200 to everything."""
    fake_influx.replies = [Reply(status, "<html>Welcome! Please sign in</html>")]
    err = write(server_at(fake_influx.url))
    assert isinstance(err, OutputDown)
    assert f"answered {status}" in str(err)


@pytest.mark.parametrize("status", [301, 302, 307, 308])
def test_the_token_is_not_carried_elsewhere(fake_influx, status):
    """A redirect would hand it to whoever is named."""
    fake_influx.replies = [Reply(status, "", (("Location", f"{fake_influx.url}/api/v2/write?elsewhere"),))]
    assert isinstance(write(server_at(fake_influx.url)), OutputDown)
    assert len(fake_influx.history) == 1


@pytest.mark.parametrize("status", [408, 429, 500, 502, 503, 504])
def test_busy_and_broken_servers_are_down(fake_influx, status):
    fake_influx.replies = [Reply(status, DATABASE_SAYS, (("Retry-After", "17"),))]
    err = write(server_at(fake_influx.url))
    assert isinstance(err, OutputDown)
    assert (err.is_refused, err.retry_after_s) == (False, 17.0)
    assert f"{status} because" in str(err)


def test_no_answer_in_time_is_down(fake_influx):
    fake_influx.replies = [Reply(hang=True)]
    err = write(server_at(fake_influx.url, timeout_s=0.2))
    assert isinstance(err, OutputDown)
    assert "no answer in time" in str(err)
    assert len(fake_influx.history) == 1


def test_a_refused_connection_is_down():
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))  # bound, not listening
        err = write(server_at(f"http://127.0.0.1:{taken.getsockname()[1]}"))
    assert isinstance(err, OutputDown)
    assert "out of reach (NewConnectionError)" in str(err)


# TLS


def tls_of(certificate, key):
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate, key)
    return context


def test_the_server_shows_who_it_is_before_the_token_is_sent(tmp_path):
    """Vouched for by ca_file it gets the points; else it gets nothing at all, not even the request."""
    for name in ("ours", "others"):
        (tmp_path / name).mkdir()
    authority, certificate, key = make_certificates(tmp_path / "ours")
    other_authority, _, _ = make_certificates(tmp_path / "others")
    with running_fake(tls_of(certificate, key)) as fake:
        assert write(InfluxServer(fake.url, ORG, "b", TOKEN, ca_file=authority)) is None
        assert len(fake.history) == 1
        for ca_file in (other_authority, None):
            err = write(InfluxServer(fake.url, ORG, "b", TOKEN, ca_file=ca_file))
            assert isinstance(err, OutputDown)
            assert "TLS failed" in str(err)
            assert "ca_file" in str(err)
        assert len(fake.history) == 1


@pytest.mark.parametrize(
    "content", [None, "", "hello", "-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n"]
)
def test_a_ca_file_that_cant_be_used_is_named(tmp_path, content):
    """A mistyped path: a person must act, the points are kept."""
    path = tmp_path / "ca.pem"
    if content is not None:
        path.write_text(content)
    with pytest.raises(OutputDown, match=r"ca_file .*ca\.pem can't be used") as caught:
        InfluxServer("https://127.0.0.1:9", ORG, "b", TOKEN, ca_file=path)
    assert caught.value.is_refused


HOSTILE_ANSWERS = {
    "nothing": b"",
    "noise": bytes(range(256)) * 20,
    "half a status": b"HTTP/1.1 20",
    "no UTF-8": b"HTTP/1.1 500 X\r\nContent-Length: 4\r\n\r\n\xff\xfe\xfd\xfc",
    "short body": b"HTTP/1.1 500 X\r\nContent-Length: 99\r\n\r\nabc",
    "negative length": b"HTTP/1.1 500 X\r\nContent-Length: -5\r\n\r\nabc",
    "bad chunks": b"HTTP/1.1 500 X\r\nTransfer-Encoding: chunked\r\n\r\nZZ\r\n\r\n",
    "bad gzip": b"HTTP/1.1 500 X\r\nContent-Encoding: gzip\r\nContent-Length: 3\r\n\r\nabc",
    "control signs": b'HTTP/1.1 500 X\r\nContent-Length: 33\r\n\r\n{"message":"\\u001b[2J\\n\\u0000gone"}',
    "many headers": b"HTTP/1.1 204 X\r\n" + b"A: b\r\n" * 2000 + b"\r\n",
    "status 999": b"HTTP/1.1 999 X\r\nContent-Length: 0\r\n\r\n",
    "gzipped reason": b"HTTP/1.1 500 X\r\nContent-Encoding: gzip\r\nContent-Length: %d\r\n\r\n%s"
    % (len(gzip.compress(b"x" * 10**6)), gzip.compress(b"x" * 10**6)),
}


@pytest.mark.parametrize("name", HOSTILE_ANSWERS)
def test_whatever_answers_the_points_are_kept(name):
    """Something else may listen there; the line about it stays one short line without a secret."""
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def serve():
            connection, _ = listener.accept()
            with connection:
                connection.recv(65536)
                connection.sendall(HOSTILE_ANSWERS[name])

        thread = threading.Thread(target=serve)
        thread.start()
        err = write(server_at(f"http://127.0.0.1:{listener.getsockname()[1]}"))
        thread.join(timeout=20)
    assert isinstance(err, OutputDown), err
    assert str(err).isprintable()
    assert len(str(err)) < 400
    assert TOKEN not in str(err)


@pytest.mark.parametrize(
    ("headers", "expected_s"),
    [
        ({}, None),
        ({"Retry-After": "30"}, 30.0),
        ({"Retry-After": " 0 "}, 0.0),
        ({"Retry-After": "9" * 5000}, RETRY_AFTER_MAX_S),
        ({"Retry-After": "-5"}, None),
        ({"Retry-After": "1.5"}, None),
        ({"Retry-After": "²"}, None),
        ({"Retry-After": "soon"}, None),
        ({"Retry-After": "Wed, 21 Oct 2015 07:28:00 GMT", "Date": "Wed, 21 Oct 2015 07:27:00 GMT"}, 60.0),
        ({"Retry-After": "Wed, 21 Oct 2015 07:28:00 GMT", "Date": "Wed, 21 Oct 2015 07:29:00 GMT"}, 0.0),
        ({"Retry-After": "Wed, 21 Oct 2015 07:28:00 GMT"}, None),
        ({"Retry-After": "Wed, 21 Oct 2015 07:28:00 GMT", "Date": "21 Oct 2015 07:28:00"}, None),
    ],
)
def test_retry_after_is_read_without_our_own_clock(headers, expected_s):
    """A board without a battery is years off."""
    assert parse_retry_after(headers) == expected_s

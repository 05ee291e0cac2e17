"""The vehicle file as pydantic models: keys, types, defaults and the range of single numbers.

Each field's description is what a person is told when the key is missing; shared/CONFIG.md has a row
for each field and a test holds the two together. What needs two values at once is in `checks.py`.
"""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Callable
from datetime import date, datetime
from typing import Annotated, Any, Literal, get_args, get_origin
from urllib.parse import urlsplit

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field
from pydantic.fields import FieldInfo
from pydantic_core import PydanticCustomError

from dutylog.config.limits import FIRST_SETTING_YEAR, LIMITS, show_text, slug_complaint, text_complaint
from dutylog.config.report import kind_of, show_value

COMPLAINT = "complaint"
"""Error type whose message is already one of ours."""


def _refuse(complain: Callable[[Any], str | None]) -> AfterValidator:
    def check(value: Any) -> Any:
        text = complain(value)
        if text is not None:
            raise PydanticCustomError(COMPLAINT, "{text}", {"text": text})
        return value

    return AfterValidator(check)


def within(key: str) -> AfterValidator:
    """Return the check of a number against its limits."""
    return _refuse(LIMITS[key].complaint)


def _path_complaint(text: str) -> str | None:
    return None if text and text.isprintable() else f"{show_text(text)} is no path"


def _address_complaint(text: str) -> str | None:
    try:
        ipaddress.ip_address(text)
    except ValueError:
        remedy = '; write "127.0.0.1"' if text == "localhost" else ', for example "127.0.0.1"'
        return f"{show_text(text)} is no IP address{remedy}"
    return None


def _host_complaint(text: str) -> str | None:
    return None if HOST.fullmatch(text) else f'{show_text(text)} is no host name or IP address, write "broker.example"'


def _name_complaint(text: str) -> str | None:
    good = len(text) <= 253 and re.fullmatch(r"[A-Za-z0-9]([A-Za-z0-9.-]*[A-Za-z0-9])?", text, re.ASCII)
    return None if good else f'{show_text(text)} is no host name, write "truck.local"'


def _url_complaint(text: str) -> str | None:
    if "@" in text:
        # Not shown: what stands before it is a secret, and this line may land in a log.
        return "holds a user or password; leave them out and put a token in token_file"
    try:
        url = urlsplit(text)
        good = text.isprintable() and url.scheme in ("http", "https") and url.hostname and url.port != 0
    except ValueError:
        good = False
    if not good:
        return f'{show_text(text)} is no address of a database, write "https://HOST:8086"'
    return f"{show_text(text)} holds more than an address; leave out ? and #" if "?" in text or "#" in text else None


def _column_complaint(text: str) -> str | None:
    return None if text and text.isprintable() else f"{show_text(text)} is no column name"


def _name_alone(value: Any) -> Any:
    return {"column": value} if isinstance(value, str) else value


def _check_day(value: Any) -> Any:
    """Let a TOML date alone pass: text and date side by side would be two ways to write one thing."""
    text = _day_complaint(value)
    if text is not None:
        raise PydanticCustomError(COMPLAINT, "{text}", {"text": text})
    return value


def _day_complaint(value: Any) -> str | None:
    if isinstance(value, datetime):
        return f"{show_value(value)} has a time of day; write the date alone, {value.date().isoformat()}"
    if isinstance(value, date):
        is_odd = value.year < FIRST_SETTING_YEAR
        return f"{show_value(value)} is before {FIRST_SETTING_YEAR}; check the year" if is_odd else None
    if not isinstance(value, str):
        seen = f"this is {kind_of(value)}" if isinstance(value, list | dict) else f"{show_value(value)} is no date"
        return f"{seen}; write a date without quotes, 2026-05-31"
    try:
        return f"{show_text(value)} is text; write it without quotes, {date.fromisoformat(value).isoformat()}"
    except ValueError:
        return f"{show_text(value)} is no date; write it as 2026-05-31, without quotes"


HOST = re.compile(r"[A-Za-z0-9]([A-Za-z0-9._-]{0,251}[A-Za-z0-9])?|[0-9A-Fa-f:.]{2,45}")
"""A host name (RFC 1123 section 2.1, plus _ as local names have it) or an IP address."""
Slug = Annotated[str, _refuse(slug_complaint)]
InputName = Annotated[str, _refuse(lambda text: slug_complaint(text) if text else None)]
Text = Annotated[str, _refuse(text_complaint)]
Host = Annotated[str, _refuse(_host_complaint)]
HostName = Annotated[str, _refuse(_name_complaint)]
Url = Annotated[str, _refuse(_url_complaint)]
PathText = Annotated[str, _refuse(_path_complaint)]
Pair = Annotated[list[float], Field(min_length=2, max_length=2)]
Day = Annotated[date, BeforeValidator(_check_day)]
Points = Annotated[list[Pair], Field(min_length=2, max_length=2000)]


class Table(BaseModel):
    """What all tables have in common: no unknown keys, no silent conversion of types, no NaN."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)


class VehicleTable(Table):
    """[vehicle]"""

    name: Text = Field(description="what people call the vehicle")
    id: Slug | None = Field(default=None, description="the vehicle's id, used in topics and paths")


class SettingTable(Table):
    """[[damper.setting]]"""

    from_: Day = Field(alias="from", description="the first day on which it counted, such as 2026-05-31")
    name: Text = Field(description='what the adjusters stand on, such as "8 in, 10 out"')
    compression_clicks: Annotated[int, within("compression_clicks")] | None = Field(
        default=None, description="clicks of the compression adjuster from fully open"
    )
    rebound_clicks: Annotated[int, within("rebound_clicks")] | None = Field(
        default=None, description="clicks of the rebound adjuster from fully open"
    )


class DamperTable(Table):
    """[[damper]]"""

    position: Slug = Field(description='where the damper sits, such as "front_left"')
    profile: str = Field(description="the name of its [profile.NAME]")
    serial: Text | None = Field(default=None, description="serial of the unit that sits there")
    wheel: Slug | None = Field(default=None, description="the wheel the damper belongs to")
    calibration: Points | None = Field(default=None, description="sensor reading against travel: [raw, mm] pairs")
    travel_from: str | None = Field(default=None, description="position whose travel sensor is used")
    travel_map: Points | None = Field(default=None, description="[mm of that sensor, mm here] pairs")
    bump_stop_mm: Annotated[float, within("bump_stop_mm")] | None = Field(
        default=None, description="travel at which the bump stop touches"
    )
    strap_mm: Annotated[float, within("strap_mm")] | None = Field(
        default=None, description="travel at which the limit strap is taut"
    )
    setting: Annotated[list[SettingTable], Field(max_length=100)] = Field(
        default_factory=list, description="[[damper.setting]]"
    )


class ForceAtTable(Table):
    """[[profile.NAME.force_at]]"""

    travel_mm: float = Field(description="the travel at which this curve holds, in mm")
    force_curve: Points = Field(description="[shaft speed in m/s, force in N] pairs")


class ProfileTable(Table):
    """[profile.NAME]"""

    stroke_mm: Annotated[float, within("stroke_mm")] = Field(description="travel from full extension to full bump")
    shaft_diameter_mm: Annotated[float, within("shaft_diameter_mm")] = Field(description="diameter of the shaft")
    bore_diameter_mm: Annotated[float, within("bore_diameter_mm")] = Field(description="inner diameter of the body")
    oil_mass_kg: Annotated[float, within("oil_mass_kg")] = Field(description="mass of the oil in the body")
    body_mass_kg: Annotated[float, within("body_mass_kg")] = Field(description="mass of the metal that heats up")
    heat_capacity_j_per_k: Annotated[float, within("heat_capacity_j_per_k")] = Field(
        description="heat capacity of oil and body together"
    )
    force_curve: Points | None = Field(default=None, description="[shaft speed in m/s, force in N] pairs")
    force_at: Annotated[list[ForceAtTable], Field(min_length=1, max_length=64)] | None = Field(
        default=None, description="force curves by travel"
    )
    fade_per_k: Annotated[float, within("fade_per_k")] = Field(
        default=0.0, description="share of force lost per kelvin"
    )
    reference_c: Annotated[float, within("reference_c")] = Field(
        default=40.0, description="body temperature at which the curve holds"
    )
    body_limit_c: Annotated[float, within("body_limit_c")] = Field(
        description="body temperature that must not be passed"
    )
    oil_limit_c: Annotated[float, within("oil_limit_c")] | None = Field(
        default=None, description="oil temperature that must not be passed"
    )
    base_valve: bool | None = Field(default=None, description="whether it has a base valve")
    charge_psi: Annotated[float, within("charge_psi")] | None = Field(
        default=None, description="nitrogen charge at full extension, cold, in psi gauge"
    )
    charge_bar: Annotated[float, within("charge_bar")] | None = Field(
        default=None, description="nitrogen charge at full extension, cold, in bar gauge"
    )
    gas_volume_ml: Annotated[float, within("gas_volume_ml")] | None = Field(
        default=None, description="room of the nitrogen at full extension, cold"
    )
    construction: Literal["floating_piston", "bladder", "emulsion", "twin_tube"] = Field(
        default="floating_piston", description="what parts gas from oil"
    )
    reservoir: Literal["none", "attached", "hose"] = Field(
        default="none", description="where the oil goes that the shaft pushes out"
    )
    joints: Literal["rod_end", "bushing"] = Field(default="rod_end", description="what its ends turn in")
    rebuildable: bool = Field(default=True, description="whether a worn one can be rebuilt")
    lead_days: Annotated[int, within("lead_days")] = Field(default=21, description="days until parts for it are there")


class DataTable(Table):
    """[data]"""

    dir: PathText | None = Field(default=None, description="folder of ledger and raw log")


class SourceTable(Table):
    """[source]"""

    kind: Literal["sensors", "recording", "simulated"] = Field(description='"sensors", "recording" or "simulated"')
    file: PathText | None = Field(default=None, description="the recording")
    pace: Annotated[float, within("pace")] = Field(default=1.0, description="1 real time, 0 as fast as possible")
    scenario: Slug | None = Field(default=None, description="what the simulated vehicle drives")
    seed: Annotated[int, within("seed")] = Field(default=1, description="seed of the simulated vehicle's chance")


class BridgeTable(Table):
    """[bridge]"""

    device: PathText = Field(description="the serial port of the bridge, best its name under /dev/serial/by-id")
    inputs: Annotated[list[InputName], Field(min_length=1, max_length=8)] = Field(
        description='the position on each input in order, "" for one not used'
    )
    rate_hz: Annotated[int, within("rate_hz")] = Field(default=1000, description="travel samples a second")
    wheel_pulses_per_m: Annotated[float, within("wheel_pulses_per_m")] | None = Field(
        default=None, description="pulses of a wheel-speed sensor for each metre driven"
    )


class ChipTable(Table):
    """What chips on an I2C bus have in common."""

    bus: Annotated[int, within("bus")] = Field(default=1, description="number of the bus, 1 for /dev/i2c-1")
    address: Annotated[int, within("address")] = Field(description="the chip's address, such as 0x60")
    multiplexer: Annotated[int, within("multiplexer")] | None = Field(
        default=None, description="address of the multiplexer before it"
    )
    branch: Annotated[int, within("branch")] | None = Field(default=None, description="branch of the multiplexer")


class ThermocoupleTable(ChipTable):
    """[[thermocouple]]"""

    position: Slug = Field(description='the damper\'s position, or "air"')
    type: Literal["K", "T", "J", "N", "E"] = Field(default="K", description="type of the thermocouple")


class AdcInputTable(Table):
    """[[adc.input]]"""

    number: Annotated[int, within("number")] = Field(description="which of the chip's inputs")
    measures: Literal["travel", "reservoir_pressure", "battery_voltage", "reference"] = Field(
        description='"travel", "reservoir_pressure", "battery_voltage" or "reference"'
    )
    position: Slug | None = Field(default=None, description="the damper's position")
    unit: Literal["psi", "bar", "kPa"] | None = Field(default=None, description='"psi", "bar" or "kPa", all gauge')
    reading: Literal["volts", "counts"] | None = Field(default=None, description='"volts" or "counts"')
    points: Points | None = Field(default=None, description="[reading, pressure] or [volts at the input, volts] pairs")


class AdcTable(ChipTable):
    """[[adc]]"""

    chip: Literal["ADS1115", "ADS1015"] = Field(description='"ADS1115" or "ADS1015"')
    range_v: Annotated[float, within("range_v")] = Field(default=4.096, description="full scale of the converter")
    input: Annotated[list[AdcInputTable], Field(min_length=1, max_length=4)] = Field(
        description="at least one [[adc.input]] with number and measures"
    )


class GpsTable(Table):
    """[gps]"""

    device: PathText = Field(description="the serial port of the receiver")
    baud: Annotated[int, within("baud")] = Field(default=9600, description="speed of its serial line")


class WebTable(Table):
    """[web]"""

    listen: Annotated[str, _refuse(_address_complaint)] = Field(
        default="127.0.0.1", description="address the page listens on"
    )
    port: Annotated[int, within("port")] = Field(default=8321, description="port the page listens on")
    tls: bool = Field(default=False, description="whether its line is encrypted, with a certificate made here")
    names: Annotated[list[HostName], Field(max_length=8)] = Field(
        default_factory=list, description="further host names people type for it"
    )


class TripTable(Table):
    """[trip]"""

    grace_min: Annotated[float, within("grace_min")] = Field(
        default=10.0, description="minutes without motion that end a trip"
    )


class LogTable(Table):
    """[log]"""

    keep_days: Annotated[float, within("keep_days")] = Field(default=365.0, description="days of raw log to keep")
    keep_gb: Annotated[float, within("keep_gb")] = Field(default=8.0, description="GB of raw log to keep")


class MqttTable(Table):
    """[mqtt]"""

    host: Host = Field(description="the broker's host name or IP address")
    port: Annotated[int, within("port")] | None = Field(default=None, description="the broker's port")
    tls: bool = Field(default=True, description="whether the line is encrypted")
    ca_file: PathText | None = Field(default=None, description="certificate that vouches for the broker")
    username: Text | None = Field(default=None, description="user at the broker")
    password_file: PathText | None = Field(default=None, description="file that holds the password")
    client_id: Text | None = Field(default=None, description="what we call ourselves at the broker")


class InfluxdbTable(Table):
    """[influxdb]"""

    url: Url = Field(description='address of the database, such as "https://HOST:8086"')
    org: Text = Field(description="organisation in the database")
    bucket: Text = Field(description="bucket that takes the points")
    token_file: PathText = Field(description="file that holds the token")
    ca_file: PathText | None = Field(default=None, description="certificate that vouches for the database")


class ColumnTable(Table):
    """One entry of [import.columns]; a text alone is its column."""

    column: Annotated[str, _refuse(_column_complaint)] = Field(description="the column's name in the recording")
    unit: str | None = Field(default=None, description="unit of value * scale + offset")
    scale: Annotated[float, within("scale")] = Field(default=1.0, description="factor on the value as recorded")
    offset: Annotated[float, within("offset")] = Field(default=0.0, description="added after scale")


class ImportTable(Table):
    """[import]"""

    columns: dict[str, Annotated[ColumnTable, BeforeValidator(_name_alone)]] = Field(
        default_factory=dict, description="[import.columns]"
    )


class Document(Table):
    """A whole vehicle file."""

    vehicle: VehicleTable = Field(description='[vehicle] with name = "..."')
    damper: Annotated[list[DamperTable], Field(min_length=1, max_length=32)] = Field(
        description="at least one [[damper]] with position and profile"
    )
    profile: Annotated[dict[str, ProfileTable], Field(min_length=1)] = Field(
        description="at least one [profile.NAME] with the damper's figures"
    )
    data: DataTable = Field(default_factory=DataTable, description="[data]")
    source: SourceTable | None = Field(default=None, description="[source]")
    bridge: BridgeTable | None = Field(default=None, description="[bridge]")
    thermocouple: Annotated[list[ThermocoupleTable], Field(max_length=64)] = Field(
        default_factory=list, description="[[thermocouple]]"
    )
    adc: Annotated[list[AdcTable], Field(max_length=16)] = Field(default_factory=list, description="[[adc]]")
    gps: GpsTable | None = Field(default=None, description="[gps]")
    web: WebTable = Field(default_factory=WebTable, description="[web]")
    trip: TripTable = Field(default_factory=TripTable, description="[trip]")
    log: LogTable = Field(default_factory=LogTable, description="[log]")
    mqtt: MqttTable | None = Field(default=None, description="[mqtt]")
    influxdb: InfluxdbTable | None = Field(default=None, description="[influxdb]")
    import_: ImportTable = Field(default_factory=ImportTable, alias="import", description="[import]")


KeyPattern = tuple[str, ...]


def fields_by_pattern(model: type[BaseModel] = Document, prefix: KeyPattern = ()) -> dict[KeyPattern, FieldInfo]:
    """Return every key of the file with its field; `*` stands for a place in a list or a free name."""
    found: dict[KeyPattern, FieldInfo] = {}
    for name, field in model.model_fields.items():
        path = (*prefix, field.alias or name)
        found[path] = field
        inner = _inner_table(field.annotation)
        if inner is not None:
            found.update(fields_by_pattern(inner[1], path + inner[0]))
    return found


def _inner_table(annotation: Any) -> tuple[KeyPattern, type[BaseModel]] | None:
    """Return the table inside an annotation and a `*` for each list or dictionary around it."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return (), annotation
    stars = ("*",) if get_origin(annotation) in (list, dict) else ()
    for argument in get_args(annotation):
        inner = _inner_table(argument)
        if inner is not None:
            return stars + inner[0], inner[1]
    return None

"""On-board diagnostics: bytes to meaning, lines to answers, a vehicle over TCP, and faults."""

import argparse
import io
import json
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.instruments.obd_vehicle import CAN_11, CAN_29, ISO_9141, KWP, Car, adapter, lines
from typer.testing import CliRunner

from ringland.cli.main import app
from ringland.diagnosis import parse_answer
from ringland.diagnosis.from_vehicle import readings_of
from ringland.errors import FileFormatError, RinglandError, SettingError
from ringland.instruments.obd import read as read_module
from ringland.instruments.obd.decode import (
    code_meaning,
    code_of,
    codes_in,
    misfire_code,
    monitor_tests,
    obd_value,
    supported,
)
from ringland.instruments.obd.frames import PROTOCOLS, answers_to, heard, protocol_of
from ringland.instruments.obd.link import TextLink, open_link
from ringland.instruments.obd.read import read_vehicle
from ringland.instruments.obd.readings import VehicleReadings, as_json, read_readings
from ringland.instruments.protocol import InstrumentFault

runner = CliRunner()

# What bytes mean.


@pytest.mark.parametrize(
    ("pid", "data", "value"),
    [
        (0x0C, "1A F8", 1726.0),
        (0x0C, "FF FF", 16383.75),
        (0x04, "FF", 100.0),
        (0x04, "80", 50.1961),
        (0x05, "00", -40.0),
        (0x05, "FF", 215.0),
        (0x06, "00", -100.0),
        (0x06, "80", 0.0),
        (0x07, "8C", 9.375),
        (0x07, "FF", 99.21875),
        (0x0B, "65", 101.0),
        (0x0E, "80", 0.0),
        (0x0E, "FF", 63.5),
        (0x0F, "3C", 20.0),
        (0x10, "01 F4", 5.0),
        (0x11, "FF", 100.0),
        (0x43, "00 FF", 100.0),
        (0x44, "80 00", 1.0),
    ],
)
def test_obd_scaling(pid: int, data: str, value: float) -> None:
    """SAE J1979 / ISO 15031-5 scaling (43 and 44 from memory)."""
    assert obd_value(pid, bytes.fromhex(data))[0] == pytest.approx(value, abs=5e-5)


def test_codes() -> None:
    """SAE J2012 / ISO 15031-6 texts (P0300 to P0312 read in code lists; the rest from memory)."""
    assert misfire_code("P0300") == "Random/multiple cylinder misfire detected"
    assert misfire_code("p0310") == "Cylinder 10 misfire detected"
    assert misfire_code("P0312") == "Cylinder 12 misfire detected"
    assert misfire_code("P0314") == "Single cylinder misfire (cylinder not specified)"
    assert misfire_code("P030A") is None
    assert misfire_code("P0420") is None


@pytest.mark.parametrize(
    ("data", "code"),
    [
        ("0133", "P0133"),  # SAE J1979 service 03 example, from memory
        ("0301", "P0301"),
        ("D016", "U1016"),  # SAE J2012: two bits letter, two bits digit, three digits
        ("C158", "U0158"),
        ("4123", "C0123"),
        ("9ABC", "B1ABC"),
        ("3FFF", "P3FFF"),
    ],
)
def test_code_of_two_bytes(data: str, code: str) -> None:
    """SAE J2012 / ISO 15031-6: 00 P, 01 C, 10 B, 11 U (bit layout as commonly published)."""
    assert code_of(*bytes.fromhex(data)) == code


@given(st.integers(0, 255), st.integers(0, 255))
def test_codes_are_one_to_one(high: int, low: int) -> None:
    code = code_of(high, low)
    number = "PCBU".index(code[0]) << 14 | int(code[1]) << 12 | int(code[2:], 16)
    assert number == high << 8 | low


def test_supported_list() -> None:
    """BE 1F A8 13, the example that is on most public pages about service 01."""
    found = supported(0, bytes.fromhex("BE1FA813"))
    assert sorted(found) == [
        0x01, 0x03, 0x04, 0x05, 0x06, 0x07, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x13, 0x15, 0x1C,
        0x1F, 0x20,
    ]  # fmt: skip


def test_monitor_results() -> None:
    """A2 is cylinder 1, 0B the average, 0C this cycle, unit 24 counts (Honda 2012, Ford 2005)."""
    data = bytes.fromhex("A20B2400050000FFFFA20C2400030000FFFF")
    assert [(t.monitor, t.test, t.value) for t in monitor_tests(data)] == [
        (0xA2, 0x0B, 5), (0xA2, 0x0C, 3),
    ]  # fmt: skip
    not_yet = monitor_tests(bytes.fromhex("A20C24000000000000"))[0]
    assert not_yet.value is None
    assert "not completed" in not_yet.why
    assert monitor_tests(bytes.fromhex("A20C0A000300000FFF"))[0].value is None
    with pytest.raises(SettingError, match="nine bytes"):
        monitor_tests(data[:-1])


def test_mixture_codes_have_a_meaning_and_others_none() -> None:
    assert code_meaning("P0171") == "System too lean (bank 1)"
    assert code_meaning("P0303") == "Cylinder 3 misfire detected"
    assert code_meaning("P0420") is None
    assert codes_in(bytes.fromhex("030100000000")) == ("P0301",)


# Lines to answers.


def test_a_filled_up_last_frame_is_cut_to_the_length() -> None:
    """ISO 15765-2: the first frame has the length; what fills the last one up is not data."""
    text = "7E81013 46A20B240005\r7E8210000FFFFA20C24\r7E82200030000FFFF00\r\r"
    found, troubles = answers_to(b"\x06\xa2", heard(text, CAN_11))
    assert troubles == ()
    assert found[0].data == bytes.fromhex("0B2400050000FFFFA20C2400030000FFFF")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("7E8037F0112", "refused"),
        ("7E804410C1A", "cut off"),
        ("7E8044105 1AF8", "another request"),
        ("7E81013410C1AF80000\r7E8221234", "cut off"),
        ("NO DATA", "did not answer"),
        ("SEARCHING...\rUNABLE TO CONNECT", "no protocol"),
        ("BUS INIT: ...ERROR", "did not start"),
        ("7E8044<DATA ERROR", "damaged"),
        ("?", "does not know"),
        ("LV RESET", "supply is low"),
        ("ERR94", "adapter has an error"),
        ("lorem ipsum", "no sense"),
        ("", ""),
    ],
)
def test_what_is_no_answer_is_said(text: str, says: str) -> None:
    found, troubles = answers_to(b"\x01\x0c", heard(text, CAN_11))
    assert found == ()
    assert says in "; ".join(troubles)


def test_the_true_answer_after_response_pending() -> None:
    got = heard("7E8037F0178\r7E804410C1AF8", CAN_11)
    found, troubles = answers_to(b"\x01\x0c", got)
    assert [m.data for m in found] == [b"\x1a\xf8"]
    assert troubles == ()


def test_protocol_by_its_look() -> None:
    assert protocol_of("SEARCHING...\r7E8064100BE3EA813") == 6
    assert protocol_of("18DAF110064100BE3EA813") == 7
    assert protocol_of("486B104100BE3EB811FA") == 0
    assert protocol_of("4100BE3EA813") == 0


_BYTES = st.binary(min_size=1, max_size=200)


@settings(max_examples=200, deadline=None)
@given(message=_BYTES, second=_BYTES, protocol=st.sampled_from((CAN_11, CAN_29)), data=st.data())
def test_messages_on_can_come_back_whole_or_not_at_all(
    message: bytes, second: bytes, protocol: int, data: st.DataObject
) -> None:
    car = Car(protocol=protocol)
    ours, other = (
        (b"\x07\xe8", b"\x07\xe9")
        if protocol == CAN_11
        else (b"\x18\xda\xf1\x10", b"\x18\xda\xf1\x18")
    )
    mine, theirs = lines(car, ours, message), lines(car, other, second)
    mixed: list[str] = []
    a, b = list(mine), list(theirs)
    while a or b:
        take = a if a and (not b or data.draw(st.booleans())) else b
        mixed.append(take.pop(0))
    got = heard("\r".join(mixed), protocol)
    assert {m.data for m in got.messages} == {message, second}
    assert got.troubles == ()
    if len(mine) > 1:  # a frame lost: never a message that was not sent
        lost = data.draw(st.integers(0, len(mine) - 1))
        got = heard("\r".join(mine[:lost] + mine[lost + 1 :]), protocol)
        assert got.messages == ()
        assert got.troubles


@given(message=st.binary(min_size=1, max_size=7), protocol=st.sampled_from((KWP, ISO_9141)))
def test_messages_on_older_lines_come_back(message: bytes, protocol: int) -> None:
    got = heard("\r".join(lines(Car(protocol=protocol), b"\x10", message)), protocol)
    assert [m.data for m in got.messages] == [message]


@settings(max_examples=300, deadline=None)
@given(
    text=st.one_of(
        st.text(max_size=300),
        st.text("0123456789ABCDEF \r\n>.?", max_size=300),
    ),
    protocol=st.sampled_from(sorted(PROTOCOLS)),
    request=st.binary(min_size=1, max_size=3),
)
def test_any_text_is_taken(text: str, protocol: int, request: bytes) -> None:
    request = bytes((request[0] & 0x0F,)) + request[1:]
    found, _ = answers_to(request, heard(text, protocol))
    assert all(isinstance(m.data, bytes) for m in found)
    protocol_of(text)


# A vehicle over TCP.


def read(car: Car, **how: float) -> tuple[VehicleReadings, list[str]]:
    with adapter(car) as served:
        found = read_vehicle(served.address, seconds=how.get("seconds", 0.0))
        return found, served.heard


@pytest.mark.parametrize("protocol", [CAN_11, CAN_29, KWP, ISO_9141])
def test_a_vehicle_is_read(protocol: int) -> None:
    found, asked = read(Car(protocol=protocol), seconds=0.1)
    speed = found.value("speed")
    assert speed.value == 812.0
    assert speed.count > 1
    assert found.value("coolant").value == 88.0
    assert found.value("short_trim_1").value == pytest.approx(100 * 3 / 128)  # (A - 128) 100 / 128
    assert found.value("long_trim_1").value == pytest.approx(100 * 19 / 128)
    assert found.value("long_trim_2").value is None
    assert "does not offer" in found.value("long_trim_2").why
    assert found.closed_loop is True
    assert found.lamp_on is True
    assert [(c.code, c.kind) for c in found.codes] == [
        ("P0302", "stored"), ("P0171", "stored"), ("P0420", "stored"), ("P0300", "pending"),
    ]  # fmt: skip
    assert dict(found.codes_not_read) == {"permanent": "the vehicle did not answer"}
    if protocol in (CAN_11, CAN_29):
        assert [m.this_cycle for m in found.misfires] == [0, 213, 1, 0]
        assert [m.ten_cycles for m in found.misfires] == [0, 128, 1, 0]
    else:
        assert found.misfires == ()
        assert "CAN only" in found.misfires_why
    services = {line[:2] for line in asked if not line.startswith("AT")}
    assert services == ({"01", "03", "06", "07", "0A"} if found.misfires else
                        {"01", "03", "07", "0A"})  # fmt: skip


def test_many_codes_come_in_order() -> None:
    """More than 15 consecutive frames: the number starts again from 0 (ISO 15765-2)."""
    codes = tuple(bytes((0x03, n)) for n in range(1, 100))
    found, _ = read(Car(stored=codes, pending=(), gearbox=False))
    assert [c.code for c in found.codes] == [f"P03{n:02X}" for n in range(1, 100)]


def test_no_codes_is_not_the_same_as_no_answer() -> None:
    none, _ = read(Car(stored=(), pending=(), permanent=()))
    assert none.codes == ()
    assert none.codes_not_read == ()
    silent, _ = read(Car().faulty(answers={"03": "NO DATA\r\r>"}))
    assert dict(silent.codes_not_read)["stored"] == "the vehicle did not answer"
    with pytest.raises(SettingError, match="not the same as none"):
        readings_of("trouble_codes", [silent_of_codes()])


def silent_of_codes() -> VehicleReadings:
    found, _ = read(Car(pending=()).faulty(answers={"03": "NO DATA\r\r>"}))
    return found


def test_damaged_answers_are_asked_again_and_then_not_known() -> None:
    once, _ = read(Car().faulty(once={"0105": "7E8 03 41\r\r>", "03": "7E8 10 08 43\r\r>"}))
    assert once.value("coolant").value == 88.0
    assert [c.code for c in once.codes if c.kind == "stored"] == ["P0302", "P0171", "P0420"]
    always, _ = read(Car().faulty(answers={"0105": "7E8 03 41\r\r>", "06A3": "<DATA ERROR\r\r>",
                                           "010C": "7E803410500\r\r>"}))  # fmt: skip
    assert always.value("coolant").why == "an answer came cut off"
    assert always.value("speed").why == "an answer to another request came"
    assert always.misfires[1].this_cycle is None
    assert "damaged" in always.misfires[1].why
    assert always.value("load").value == pytest.approx(100 * 77 / 255)


def test_a_cut_off_list_of_one_controller_is_said() -> None:
    half = "7E806430203020171\r7E9014\r\r>"
    found, _ = read(Car().faulty(answers={"03": half}))
    assert "stored" in dict(found.codes_not_read)
    assert len([c for c in found.codes if c.kind == "stored"]) == 2


def test_pieces_spaces_and_echo_make_no_difference() -> None:
    plain, _ = read(Car())
    for car in (Car().faulty(piece=1), Car().faulty(piece=7), Car().faulty(echo=True)):
        found, _ = read(car)
        assert found.values == plain.values
        assert (found.codes, found.misfires) == (plain.codes, plain.misfires)


def test_open_loop_and_monitors_not_completed() -> None:
    found, _ = read(Car(fuel_system=1, misfires=None))
    assert (found.closed_loop, found.fuel_system) == (False, "open loop: not warm enough yet")
    assert found.misfires == ()
    assert found.misfires_why == "the vehicle did not answer"


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(read_module, "_ANSWER_S", 0.2)
    monkeypatch.setattr(read_module, "_SEARCH_S", 0.4)


@pytest.mark.usefixtures("impatient")
def test_silence_once_is_a_value_less_and_twice_is_the_end() -> None:
    found, _ = read(Car().faulty(once={"0104": ""}))
    assert found.value("load").value == pytest.approx(100 * 77 / 255)  # the second time
    with adapter(Car().faulty(answers={"0104": "", "0105": ""})) as served:
        start = time.monotonic()
        with pytest.raises(InstrumentFault, match="did not answer in time"):
            read_vehicle(served.address, seconds=0.0)
        assert time.monotonic() - start < 10.0


@pytest.mark.usefixtures("impatient")
def test_babble_does_not_hold_us() -> None:
    with adapter(Car().faulty(answers={"0104": "41" * 20_000, "0105": "41" * 20_000})) as served:
        start = time.monotonic()
        with pytest.raises(InstrumentFault, match="did not answer in time"):
            read_vehicle(served.address, seconds=0.0)
        assert time.monotonic() - start < 10.0


def test_the_plug_is_pulled() -> None:
    with (
        adapter(Car().faulty(closes_on="07")) as served,
        pytest.raises(InstrumentFault, match="connection to the adapter broke"),
    ):
        read_vehicle(served.address, seconds=0.0)


def test_ignition_off() -> None:
    car = Car().faulty(answers={"0100": "SEARCHING...\rUNABLE TO CONNECT\r\r>", "ATDPN": "A0\r\r>"})
    with adapter(car) as served, pytest.raises(InstrumentFault) as error:
        read_vehicle(served.address, seconds=0.0)
    assert "no protocol of the vehicle was found" in (error.value.got or "")
    assert "ignition" in (error.value.remedy or "")


def test_nothing_but_reading_can_be_sent() -> None:
    """Service 04 clears codes, 08 drives actuators (SAE J1979)."""
    with adapter() as served:
        link = open_link(served.address)
        for service in set(range(256)) - {0x01, 0x03, 0x06, 0x07, 0x0A}:
            with pytest.raises(SettingError, match="Only reading"):
                link.request(bytes((service,)), 0.1)
        for word in ("ATSH7E0", "ATPP", "04", "ATWM", "STPX"):
            with pytest.raises(SettingError, match="not sent"):
                link.set_up(word, 0.1)
        link.close()
        assert served.heard == []


@pytest.mark.parametrize(
    "address", ["sound:1", "tcp:nowhere", "tcp:", "serial:", "serial:X?speed=3", "tcp:a:1?x=2", ""]
)
def test_addresses_that_cannot_be_read(address: str) -> None:
    with pytest.raises(SettingError):
        open_link(address)


def test_nobody_there() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    with pytest.raises(InstrumentFault, match="cannot be reached"):
        open_link(f"tcp:127.0.0.1:{port}")
    pytest.importorskip("serial", reason="pyserial is not installed")
    with pytest.raises(InstrumentFault, match="cannot be reached"):
        open_link("serial:/no/such/port")


def test_without_pyserial_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "serial", None)
    with pytest.raises(InstrumentFault, match="not installed") as error:
        open_link("serial:COM5")
    assert "ringland[obd]" in (error.value.remedy or "")


def test_through_pyserial() -> None:
    """The serial way, through pyserial's own port over a socket."""
    pytest.importorskip("serial", reason="pyserial is not installed")
    with adapter(Car()) as served:
        host = served.address.removeprefix("tcp:")
        found = read_vehicle(f"serial:socket://{host}", seconds=0.0)
    assert found.value("speed").value == 812.0
    assert len(found.misfires) == 4


# Someone else's emulator.

SCENARIOS = ("no_codes_basic", "chunked_stream", "p0301_basic", "p0420_basic", "malformed",
             "headers_off_echo_on")  # fmt: skip


@pytest.fixture
def scenario_port(request: pytest.FixtureRequest) -> Iterator[int]:
    bundled = pytest.importorskip("elmulator._bundled", reason="elmulator is not installed")
    server = pytest.importorskip("elmulator.server")
    scenario = server.Scenario(json.loads(bundled.BUNDLED[request.param]))
    args = argparse.Namespace(
        host="127.0.0.1", port=0, echo="scenario", split=None, latency_ms=0, jitter_ms=0, seed=0
    )
    ready, stop = threading.Event(), threading.Event()
    thread = threading.Thread(target=server.serve, args=(args, scenario, ready, stop), daemon=True)
    thread.start()
    assert ready.wait(5.0)
    yield args.port
    stop.set()
    thread.join(5.0)


@pytest.mark.parametrize("scenario_port", SCENARIOS[:4], indirect=True, ids=SCENARIOS[:4])
def test_a_foreign_emulator(scenario_port: int, request: pytest.FixtureRequest) -> None:
    """Scenarios of the package elmulator, with what it expects of a reader."""
    found = read_vehicle(f"tcp:127.0.0.1:{scenario_port}", seconds=0.0)
    name = request.node.callspec.id
    expected = {"p0301_basic": ["P0301"], "p0420_basic": ["P0420"]}.get(name, [])
    assert [c.code for c in found.codes] == expected
    assert found.codes_not_read == ()
    assert found.lamp_on is bool(expected)
    assert found.value("speed").value == 1726.0
    assert found.value("coolant").value == 83.0
    assert found.value("short_trim_1").value is None
    assert found.misfires == ()


@pytest.mark.parametrize("scenario_port", SCENARIOS[4:], indirect=True, ids=SCENARIOS[4:])
def test_a_foreign_emulator_that_answers_badly(scenario_port: int) -> None:
    """Cut off and garbage; and headers that never come: refused in words, nothing made up."""
    with pytest.raises(InstrumentFault, match="does not answer through the adapter"):
        read_vehicle(f"tcp:127.0.0.1:{scenario_port}", seconds=0.0)


# The file, the command, and follow-up tests.


def kept(tmp_path: Path, name: str, car: Car) -> Path:
    path = tmp_path / name
    with adapter(car) as served:
        done = runner.invoke(app, ["obd", served.address, "--seconds", "0", "--json", str(path)])
    assert done.exit_code == 0, done.output
    return path


def test_the_file_reads_back(tmp_path: Path) -> None:
    path = kept(tmp_path, "idle.json", Car())
    found = read_readings(path)
    assert found.value("speed").value == 812.0
    assert json.loads(json.dumps(as_json(found))) == json.loads(path.read_text("utf-8"))


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_any_file_is_taken_or_refused(
    data: st.DataObject, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.getbasetemp()
    good = folder / "good.json"
    if not good.exists():
        kept(folder, "good.json", Car())
    told = json.loads(good.read_text("utf-8"))
    key = data.draw(st.sampled_from(sorted(told)))
    told[key] = data.draw(
        st.recursive(
            st.none() | st.booleans() | st.floats() | st.text(max_size=5),
            lambda inner: (
                st.lists(inner, max_size=3)
                | st.dictionaries(st.text(max_size=5), inner, max_size=3)
            ),
            max_leaves=5,
        )
    )
    path = folder / "bad.json"
    path.write_text(json.dumps(told), "utf-8")
    try:
        found = read_readings(path)
    except FileFormatError:
        return
    for test in ("fuel_trims", "misfire_counters", "trouble_codes"):
        try:
            readings_of(test, [found])
        except RinglandError:
            continue


def test_the_command_says_everything(tmp_path: Path) -> None:
    with adapter(Car(misfires=(0, 213, 1, 0))) as served:
        done = runner.invoke(app, ["obd", served.address, "--seconds", "0.2"])
    assert done.exit_code == 0, done.output
    for text in (
        "no code is cleared",
        "wheels chocked",
        "Engine speed: 812.0 rpm (812.0 to 812.0 in",
        "Long term fuel trim, bank 2: not available: the vehicle does not offer it",
        "Mixture: closed loop",
        "Cylinder 2: 213 misfires",
        "P0171 stored, System too lean (bank 1)",
        "Codes permanent: not available: the vehicle did not answer",
    ):
        assert text in done.output
    with adapter(Car()) as served:
        done = runner.invoke(app, ["obd", served.address, "--seconds", "0", "--json", "-"])
    assert json.load(io.StringIO(done.stdout))["schema"] == "ringland.vehicle-readings/1"
    done = runner.invoke(app, ["obd", "tcp:127.0.0.1:9"])
    assert done.exit_code == 2
    assert "cannot be reached" in done.output


def outcome(test: str, found: dict[str, str], cylinder: int | None = None) -> str:
    return parse_answer(test, cylinder=cylinder, readings=found).outcome


def test_fuel_trims_need_idle_and_a_held_speed_in_closed_loop() -> None:
    idle, _ = read(Car())  # 2.3 + 14.8 %
    held, _ = read(Car(speed_rpm=2500.0, trims=(128, 130)))
    found = readings_of("fuel_trims", [held, idle])
    assert found.readings == {"idle_trim": "17.19", "held_trim": "1.56"}
    assert outcome("fuel_trims", found.readings) == "lean_at_idle"
    rich, _ = read(Car(speed_rpm=2500.0, trims=(128, 128, 128, 110)))
    flat, _ = read(Car(trims=(128, 128, 128, 128)))
    found = readings_of("fuel_trims", [flat, rich])
    assert outcome("fuel_trims", found.readings) == "rich"
    assert "bank 2" in found.remarks[0]
    with pytest.raises(SettingError, match="two readings"):
        readings_of("fuel_trims", [idle, idle])
    cold, _ = read(Car(fuel_system=1))
    with pytest.raises(SettingError, match="closed loop"):
        readings_of("fuel_trims", [cold, held])
    none, _ = read(Car(trims=()))
    with pytest.raises(SettingError, match="did not give its fuel trims"):
        readings_of("fuel_trims", [none, held])


def test_misfire_counters_are_compared_between_cylinders() -> None:
    found, _ = read(Car(misfires=(0, 213, 9, 0)))
    counts = readings_of("misfire_counters", [found]).readings
    assert counts == {"misfires": "0,213,9,0"}
    found_in = parse_answer("misfire_counters", readings=counts)
    assert (found_in.outcome, found_in.cylinder) == ("counts_here", 2)
    asked_of_another = parse_answer("misfire_counters", cylinder=3, readings=counts)
    assert asked_of_another == found_in, "the counters are of all cylinders"
    assert outcome("misfire_counters", {"misfires": "0,3,9,0"}, 3) == "none"
    spread = {"misfires": "40,50,60,45"}
    assert outcome("misfire_counters", spread, 1) == "counts_spread"
    for alike in ("100,99,0,-", "65535,65535,0,0", "50,50"):
        assert outcome("misfire_counters", {"misfires": alike}, 1) == "counts_spread"
    assert outcome("misfire_counters", {"misfires": "100,20,0,-"}, 2) == "counts_here"
    with pytest.raises(SettingError, match="no count"):
        outcome("misfire_counters", {"misfires": "-,-,-,-"}, None)
    old, _ = read(Car(protocol=KWP))
    with pytest.raises(SettingError, match="misfire counters"):
        readings_of("misfire_counters", [old])


def test_codes_as_an_answer() -> None:
    found, _ = read(Car())
    codes = readings_of("trouble_codes", [found]).readings
    assert codes == {"codes": "P0302,P0171,P0420,P0300"}
    for asked in (2, 1, None):
        named = parse_answer("trouble_codes", cylinder=asked, readings=codes)
        assert (named.outcome, named.cylinder) == ("this_cylinder", 2), "whichever was asked about"
    several = {"codes": "P0301,P0304"}
    assert parse_answer("trouble_codes", readings=several).outcome == "random_misfire"
    assert parse_answer("trouble_codes", cylinder=4, readings=several).outcome == "random_misfire"
    at = parse_answer("trouble_codes", firing_position=2, readings={"codes": "P0302"})
    assert (at.cylinder, at.firing_position) == (2, 2), "where the numbers are not known"
    none, _ = read(Car(stored=(), pending=()))
    assert outcome("trouble_codes", readings_of("trouble_codes", [none]).readings) == "no_code"
    with pytest.raises(SettingError, match="not one"):
        readings_of("leakdown", [none])


def test_a_link_closes_quietly_twice() -> None:
    with adapter() as served:
        link: TextLink = open_link(served.address)
        link.close()
        link.close()

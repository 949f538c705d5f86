"""Reading a vehicle through its diagnostic socket. Nothing is written, no code is cleared."""

import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from types import TracebackType

from ringland.errors import SettingError
from ringland.instruments.obd import decode
from ringland.instruments.obd.frames import (
    CAN,
    NO_ANSWER,
    PROTOCOLS,
    Message,
    answers_to,
    heard,
    protocol_of,
)
from ringland.instruments.obd.link import TextLink, TooSlow, open_link
from ringland.instruments.obd.readings import Code, MisfireCount, VehicleReadings, VehicleValue
from ringland.instruments.protocol import InstrumentFault

__all__ = ["Vehicle", "read_vehicle"]

_WORD_S = 3.0
_SEARCH_S = 20.0
_ANSWER_S = 5.0
_SLOW_IN_A_ROW = 2
_SPEED = 0x0C
LIVE = (_SPEED, 0x04, 0x05, 0x06, 0x07, 0x08, 0x09)
"""Read again and again; the rest once."""
ONCE = (0x30, 0x31)
_CODE_SERVICES = ((0x03, "stored"), (0x07, "pending"), (0x0A, "permanent"))
_MISFIRE_LIST = 0xA0
_FIRST_CYLINDER, _LAST_CYLINDER = 0xA2, 0xAD
_AVERAGE, _THIS_CYCLE = 0x0B, 0x0C


class Vehicle:
    """An open link to a vehicle: protocol found, engine controller chosen."""

    def __init__(self, link: TextLink) -> None:
        self._link = link
        self._slow = 0
        self.address = link.address
        self.protocol, self.controller, self.numbers = 0, "", frozenset[int]()
        try:
            self._connect()
        except BaseException:
            link.close()
            raise

    def __enter__(self) -> "Vehicle":
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the port; may be called twice."""
        self._link.close()

    def ask(self, request: bytes) -> tuple[tuple[Message, ...], str]:
        """Answers of all controllers, and what went wrong, "" when nothing did; asked twice when
        an answer came damaged. Raises InstrumentFault when the link broke or the adapter is silent
        twice in a row."""
        found, why = self._once(request)
        if not why or why == NO_ANSWER:
            return found, why
        again, still = self._once(request)
        return (again, still) if len(again) >= len(found) else (found, why)

    def _once(self, request: bytes) -> tuple[tuple[Message, ...], str]:
        try:
            said = self._link.request(request, _ANSWER_S)
        except TooSlow:
            self._slow += 1
            if self._slow >= _SLOW_IN_A_ROW:
                raise
            return (), "no answer in time"
        self._slow = 0
        found, troubles = answers_to(request, heard(said, self.protocol))
        return found, "; ".join(troubles) or ("" if found else NO_ANSWER)

    def from_engine(self, request: bytes) -> tuple[bytes | None, str]:
        """The engine controller's one answer, or None and why."""
        found, why = self.ask(request)
        mine = [m.data for m in found if m.controller == self.controller]
        if not mine:
            return None, why or "another controller answered, the engine's did not"
        return (mine[0], "") if len(set(mine)) == 1 else (None, "two answers that differ came")

    def number(self, pid: int) -> tuple[float | None, str]:
        """A number of service 01, or None and why."""
        if pid not in self.numbers:
            return None, "the vehicle does not offer it"
        data, why = self.from_engine(bytes((0x01, pid)))
        if data is None:
            return None, why
        try:
            return decode.obd_value(pid, data)[0], ""
        except SettingError as error:
            return None, f"{error.wrong} {error.got}"

    def speed_rpm(self) -> tuple[float | None, str]:
        """Engine speed now, or None and why."""
        return self.number(_SPEED)

    def _connect(self) -> None:
        for word in ("ATZ", "ATE0", "ATL0", "ATS0", "ATH1", "ATSP0"):
            self._link.set_up(word, _WORD_S)
        said = self._search()
        told = self._link.set_up("ATDPN", _WORD_S).upper().removeprefix("A")
        named = len(told) == 1 and told in "0123456789ABC"
        self.protocol = int(told, 16) if named else protocol_of(said)
        if self.protocol not in PROTOCOLS:
            trouble = "; ".join(heard(said, 6).troubles) or "it names no protocol read here"
            raise InstrumentFault(
                "The vehicle does not answer through the adapter.",
                got=f"{self.address}: {trouble}",
                allowed=", ".join(PROTOCOLS.values()),
                remedy="Switch the ignition on, push the plug in, and try again. Vehicles before "
                "the middle of the 1990s and many heavy ones have no such link.",
            )
        offers, why = answers_to(b"\x01\x00", heard(said, self.protocol))
        if not offers:
            offers, why = self._offers(0x00)
        self._choose(offers, why)

    def _search(self) -> str:
        """The first request: the adapter looks for the protocol meanwhile, which takes long."""
        try:
            return self._link.request(b"\x01\x00", _SEARCH_S)
        except TooSlow:
            return self._link.request(b"\x01\x00", _SEARCH_S)

    def _offers(self, first: int) -> tuple[tuple[Message, ...], tuple[str, ...]]:
        found, why = self.ask(bytes((0x01, first)))
        return found, (why,)

    def _choose(self, offers: Sequence[Message], why: Sequence[str]) -> None:
        """The engine's controller is the first that offers its speed."""
        lists = {m.controller: decode.supported(0, m.data) for m in offers if len(m.data) == 4}
        if not lists:
            raise InstrumentFault(
                "The vehicle does not say what can be read.",
                got=f"{self.address}: {'; '.join(why) or 'its list came cut off'}",
                remedy="Try again with the engine running.",
            )
        ordered = sorted(lists, key=lambda name: (_SPEED not in lists[name], name))
        self.controller = ordered[0]
        known = lists[self.controller]
        for first in (0x20, 0x40):
            if first not in known:
                break
            data, _ = self.from_engine(bytes((0x01, first)))
            if data is None or len(data) != 4:
                break
            known |= decode.supported(first, data)
        self.numbers = known


def read_vehicle(
    address: str, *, seconds: float = 5.0, progress: Callable[[str], None] = lambda text: None
) -> VehicleReadings:
    """Everything Ringland uses, live values for `seconds`. Raises SettingError, InstrumentFault."""
    with Vehicle(open_link(address)) as vehicle:
        progress(f"Connected: {PROTOCOLS[vehicle.protocol]}, controller {vehicle.controller}.")
        values = _live(vehicle, seconds)
        values += [_value(pid, [n] if n is not None else [], why)
                   for pid in ONCE for n, why in (vehicle.number(pid),)]  # fmt: skip
        closed, fuel = _fuel_system(vehicle)
        status, _ = vehicle.from_engine(b"\x01\x01")
        codes, not_read = _codes(vehicle)
        misfires, misfires_why = _misfires(vehicle)
        return VehicleReadings(
            read_utc=datetime.now(UTC).isoformat(timespec="seconds"),
            address=address,
            protocol=PROTOCOLS[vehicle.protocol],
            controller=vehicle.controller,
            values=tuple(values),
            misfires=misfires,
            misfires_why=misfires_why,
            codes=codes,
            codes_not_read=not_read,
            closed_loop=closed,
            fuel_system=fuel,
            lamp_on=bool(status[0] & 0x80) if status is not None and len(status) == 4 else None,
        )


def _live(vehicle: Vehicle, seconds: float) -> list[VehicleValue]:
    """Round after round until the time is over, one at least."""
    got: dict[int, list[float]] = {pid: [] for pid in LIVE}
    why: dict[int, str] = {}
    deadline = time.monotonic() + seconds
    while True:
        for pid in LIVE:
            number, reason = vehicle.number(pid)
            if number is None:
                why[pid] = reason
            else:
                got[pid].append(number)
        if time.monotonic() >= deadline or not any(got.values()):
            return [_value(pid, got[pid], why.get(pid, "")) for pid in LIVE]


def _value(pid: int, numbers: Sequence[float], why: str) -> VehicleValue:
    told = decode.PARAMETERS[pid]
    made = VehicleValue(told.id, told.title, told.unit, told.gain, why=why)
    if not numbers:
        return made
    mean = sum(numbers) / len(numbers)
    return replace(
        made, value=mean, lowest=min(numbers), highest=max(numbers), count=len(numbers), why=""
    )


def _fuel_system(vehicle: Vehicle) -> tuple[bool | None, str]:
    if 0x03 not in vehicle.numbers:
        return None, "the vehicle does not offer it"
    data, why = vehicle.from_engine(b"\x01\x03")
    if data is None or len(data) != 2:
        return None, why or "the answer has the wrong length"
    return decode.FUEL_SYSTEM.get(data[0], (None, f"state {data[0]:02X}, not known here"))


def _codes(vehicle: Vehicle) -> tuple[tuple[Code, ...], tuple[tuple[str, str], ...]]:
    """Codes of all controllers, and the kinds that could not be read, with why."""
    codes, not_read = [], []
    for service, kind in _CODE_SERVICES:
        found, why = vehicle.ask(bytes((service,)))
        if why:
            not_read.append((kind, why))
        for message in found:
            try:
                names = _code_names(message.data, on_can=vehicle.protocol in CAN)
            except SettingError as error:
                not_read.append((kind, f"{error.wrong} {error.got}"))
                continue
            codes += [
                Code(n, kind, message.controller, decode.code_meaning(n) or "") for n in names
            ]
    return tuple(dict.fromkeys(codes)), tuple(not_read)


def _code_names(data: bytes, *, on_can: bool) -> tuple[str, ...]:
    """On CAN the number of codes comes first; elsewhere three codes at a time, filled with 0."""
    if not on_can:
        return decode.codes_in(data)
    if not data or len(data) < 1 + 2 * data[0]:
        raise SettingError("The list of codes came cut off.", got=f"{len(data)} bytes")
    return decode.codes_in(data[1 : 1 + 2 * data[0]])


def _misfires(vehicle: Vehicle) -> tuple[tuple[MisfireCount, ...], str]:
    """Counters of the cylinders by service 06, which has fixed numbers on CAN only."""
    if vehicle.protocol not in CAN:
        return (), "this vehicle's link has no standard numbers for misfire counters (CAN only)"
    data, why = vehicle.from_engine(bytes((0x06, _MISFIRE_LIST)))
    if data is None or len(data) != 4:
        return (), why or "the list of monitors came cut off"
    offered = decode.supported(_MISFIRE_LIST, data)
    monitors = [m for m in range(_FIRST_CYLINDER, _LAST_CYLINDER + 1) if m in offered]
    if not monitors:
        return (), "the vehicle offers no counter of a cylinder"
    return tuple(_misfire_count(vehicle, m) for m in monitors), ""


def _misfire_count(vehicle: Vehicle, monitor: int) -> MisfireCount:
    cylinder = monitor - _FIRST_CYLINDER + 1
    data, why = vehicle.from_engine(bytes((0x06, monitor)))
    if data is None:
        return MisfireCount(cylinder, None, None, why)
    try:
        tests = decode.monitor_tests(bytes((monitor,)) + data)
    except SettingError as error:
        return MisfireCount(cylinder, None, None, f"{error.wrong} {error.got}")
    by_test = {t.test: t for t in tests if t.monitor == monitor}
    found = [by_test.get(_THIS_CYCLE), by_test.get(_AVERAGE)]
    reasons = [t.why for t in found if t is not None and t.why]
    if found == [None, None]:
        reasons = ["neither test 0B nor 0C is among the results"]
    this, ten = (None if t is None else t.value for t in found)
    return MisfireCount(cylinder, this, ten, "; ".join(dict.fromkeys(reasons)))

"""The kinds of instrument with those that need the simulator and the readers."""

from pathlib import Path

from ringland.errors import SettingError
from ringland.instruments.labelled import LABEL, Labelled
from ringland.instruments.protocol import Instrument
from ringland.instruments.registry import (
    KINDS,
    Found,
    Kind,
    only_options,
    open_instrument,
    option_number,
    split_address,
)
from ringland.model import Condition, EngineSpec

__all__ = ["SIMULATOR", "all_kinds", "open_for", "simulator_options", "watched_folder"]

SIMULATOR = "simulator"
FOLDER = "folder"


def all_kinds() -> tuple[Kind, ...]:
    """Every kind, the simulator first."""
    return (
        Kind(SIMULATOR, "Simulated vehicle, invented data", "simulator?seed=1", _find_simulator,
             _not_without_engine),
        *KINDS,
        Kind(FOLDER, "A folder that another recorder saves into", "folder:PATH", _find_folder,
             _not_an_instrument),
    )  # fmt: skip


def simulator_options(address: str) -> dict[str, str] | None:
    """Options of the simulator's address, the label among them; None for any other instrument.

    One address serves recording and self-check, so each allows what only the other uses. Raises
    SettingError.
    """
    name, body, options = split_address(address)
    if name != SIMULATOR:
        return None
    only_options(options, LABEL, "seed", "seconds", "pace", "fault", "noise")
    if body:
        raise SettingError("The simulator has no address.", got=body, allowed="simulator?seed=1")
    return options


def open_for(address: str, engine: EngineSpec, condition: Condition) -> Instrument:
    """The instrument at an address; the simulator runs `engine`. Raises SettingError."""
    from ringland.live.simulated import SimulatedVehicle, simulated_instrument

    options = simulator_options(address)
    if options is None:
        return open_instrument(address, all_kinds())
    label = options.get(LABEL)
    seed, seconds = option_number(options, "seed"), option_number(options, "seconds")
    pace, noise = option_number(options, "pace"), option_number(options, "noise")
    vehicle = SimulatedVehicle(
        engine,
        condition,
        seconds=30.0 if seconds is None else seconds,
        faults=tuple(filter(None, options.get("fault", "").split(","))),
        seed=0 if seed is None else int(seed),
        snr_db=25.0 if noise is None else noise,
    )
    opened = simulated_instrument(vehicle, pace=1.0 if pace is None else pace)
    return opened if label is None else Labelled(opened, label)


def watched_folder(address: str) -> Path | None:
    """The folder of a "folder:PATH" address, None for any other."""
    return Path(address.removeprefix(f"{FOLDER}:")) if address.startswith(f"{FOLDER}:") else None


def _find_simulator() -> list[Found]:
    return [Found(SIMULATOR, "always there; behaves like the engine described", True)]


def _find_folder() -> list[Found]:
    return [Found("folder:PATH", "any folder; takes each file when it has stopped growing", True)]


def _not_without_engine(body: str, options: dict[str, str]) -> Instrument:
    raise SettingError("The simulator needs an engine.", remedy="Give one with --engine.")


def _not_an_instrument(body: str, options: dict[str, str]) -> Instrument:
    raise SettingError("A watched folder gives files, not samples.", got=body)

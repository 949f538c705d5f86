"""Judge each cylinder of a running piston engine from pressure pulses.

    import ringland

    engine = ringland.load_engine("engine.toml")
    recording = ringland.read_recording("recording.csv")
    analysis = ringland.analyse(recording, engine)
    ringland.write_report(analysis, "report.html")

Names are loaded on first use, so that `import ringland` costs next to nothing.
"""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ringland.engines import load_engine
    from ringland.errors import BadInput, RinglandError, UnusableRecording
    from ringland.model import (
        Analysis,
        Channel,
        ChannelRole,
        Condition,
        EngineSpec,
        Estimate,
        Recording,
    )
    from ringland.output import as_json
    from ringland.pipeline import analyse, analyse_source
    from ringland.quality import check_recording
    from ringland.readers import open_recording, read_recording
    from ringland.report import write_html as write_report
    from ringland.simulator.run import simulate
    from ringland.writers import write_recording

__version__ = "0.1.0"

__all__ = [
    "Analysis",
    "BadInput",
    "Channel",
    "ChannelRole",
    "Condition",
    "EngineSpec",
    "Estimate",
    "Recording",
    "RinglandError",
    "UnusableRecording",
    "analyse",
    "analyse_source",
    "as_json",
    "check_recording",
    "load_engine",
    "open_recording",
    "read_recording",
    "simulate",
    "write_recording",
    "write_report",
]

_HOME = {
    "Analysis": "ringland.model:Analysis",
    "BadInput": "ringland.errors:BadInput",
    "Channel": "ringland.model:Channel",
    "ChannelRole": "ringland.model:ChannelRole",
    "Condition": "ringland.model:Condition",
    "EngineSpec": "ringland.model:EngineSpec",
    "Estimate": "ringland.model:Estimate",
    "Recording": "ringland.model:Recording",
    "RinglandError": "ringland.errors:RinglandError",
    "UnusableRecording": "ringland.errors:UnusableRecording",
    "analyse": "ringland.pipeline:analyse",
    "analyse_source": "ringland.pipeline:analyse_source",
    "as_json": "ringland.output:as_json",
    "check_recording": "ringland.quality:check_recording",
    "load_engine": "ringland.engines:load_engine",
    "open_recording": "ringland.readers:open_recording",
    "read_recording": "ringland.readers:read_recording",
    "simulate": "ringland.simulator.run:simulate",
    "write_recording": "ringland.writers:write_recording",
    "write_report": "ringland.report:write_html",
}


def __getattr__(name: str) -> object:
    """Import a public name on first use (PEP 562)."""
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    module, attribute = _HOME[name].split(":")
    value: object = getattr(import_module(module), attribute)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """The public names."""
    return sorted([*__all__, "__version__"])

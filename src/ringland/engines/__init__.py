"""Engine descriptions and the library of layouts."""

from ringland.engines.description import engine_from_mapping, load_engine
from ringland.engines.library import Layout, layout, layouts

__all__ = ["Layout", "engine_from_mapping", "layout", "layouts", "load_engine"]

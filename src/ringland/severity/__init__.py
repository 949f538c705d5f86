"""Physical severity of a fault, and what a fault would look like on a recording.

`with_severity(analysis)` fills the severity of the leading cause; `fit_severity` gives it with the
curves to draw. `prepare_what_if(analysis, fault)` takes about two seconds once, then
`what_if_cycles(prepared, severity)` answers a slider in milliseconds.
"""

from ringland.model import CycleOverlay, SeverityFit
from ringland.severity.attach import fit_severity, with_severity
from ringland.severity.kinds import KIND_OF_MODE, SHOWN_AS
from ringland.severity.whatif import WhatIf, prepare_what_if, what_if, what_if_cycles

__all__ = [
    "KIND_OF_MODE",
    "SHOWN_AS",
    "CycleOverlay",
    "SeverityFit",
    "WhatIf",
    "fit_severity",
    "prepare_what_if",
    "what_if",
    "what_if_cycles",
    "with_severity",
]

"""The plan as one self-contained HTML page to print: no script, no request to anywhere."""

from functools import cache
from typing import TYPE_CHECKING

from ringland.instruments.plan import drawing
from ringland.instruments.plan.types import HookUpPlan, Phase

if TYPE_CHECKING:
    from jinja2 import Environment

__all__ = ["render_card"]

PHASE_TITLES = {
    Phase.BEFORE: "Before the hood is opened",
    Phase.HOOK_UP: "Hook up",
    Phase.RECORD: "Record",
    Phase.TAKE_DOWN: "Take down",
}
_POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"


@cache
def _environment() -> "Environment":
    from jinja2 import Environment, PackageLoader, StrictUndefined

    made = Environment(
        loader=PackageLoader("ringland.instruments.plan"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["percent"] = lambda share: f"{100.0 * share:.2g} %"
    return made


def render_card(plan: HookUpPlan) -> str:
    """The card as one HTML document."""
    return (
        _environment()
        .get_template("card.html.j2")
        .render(
            plan=plan,
            phases=[(PHASE_TITLES[p], plan.steps_of(p)) for p in Phase],
            picture=drawing.prepare(plan),
            width=drawing.WIDTH,
            height=drawing.HEIGHT,
            curve=_curve(plan),
            policy=_POLICY,
        )
    )


def _curve(plan: HookUpPlan) -> list[dict[str, float]]:
    """Points of the small picture: cycles on a logarithmic x, smallest fault on y, in SVG units."""
    import math

    known = [p for p in plan.curve if p.smallest_fault.value is not None]
    if not known:
        return []
    first, last = math.log(known[0].cycles), math.log(known[-1].cycles)
    top = 1.1 * max(float(p.smallest_fault.value or 0.0) for p in known)
    return [
        {
            "x": 60.0 + 320.0 * (math.log(p.cycles) - first) / (last - first),
            "y": 150.0 - 130.0 * float(p.smallest_fault.value or 0.0) / top,
            "w": 150.0 - 130.0 * p.half_width / top,
            "cycles": p.cycles,
            "fault": float(p.smallest_fault.value or 0.0),
            "width": p.half_width,
        }
        for p in known
    ]

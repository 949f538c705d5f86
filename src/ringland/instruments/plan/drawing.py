"""The hook-up as a plain line drawing: the engine from above, front on the left.

Everything comes from the engine description: cylinders in their banks with their numbers, which
outlet each feeds, the tailpipes with their sensors, filler and dipstick, trigger, and a cable route
away from belt, fan and exhaust. `prepare` gives shapes that a test can check; a template draws.
`upright` turns it for a phone: front at the top, words large enough at its width.
"""

from dataclasses import dataclass, replace

from ringland.instruments.plan.types import HookUpPlan
from ringland.model import ChannelRole, EngineSpec

__all__ = ["HEIGHT", "UPRIGHT", "WIDTH", "Circle", "Drawing", "Label", "Line", "prepare", "upright"]

WIDTH, HEIGHT = 900.0, 430.0
UPRIGHT = (HEIGHT, 940.0)
"""Width and height when turned upright."""
_RADIUS = 19.0
_LEFT, _RIGHT = 170.0, 560.0
_PIPE_END = 800.0


@dataclass(frozen=True)
class Line:
    """A polyline; `style`: plain, pipe, cable or hidden. `what` says what it stands for."""

    points: tuple[tuple[float, float], ...]
    style: str
    what: str

    @property
    def path(self) -> str:
        """The points as SVG takes them."""
        return " ".join(f"{x:.0f},{y:.0f}" for x, y in self.points)


@dataclass(frozen=True)
class Circle:
    """A circle with a number or letter inside; `strong` when a sensor or the trigger is there.
    `upright`: where it stands when turned upright, if not where turning puts it."""

    x: float
    y: float
    radius: float
    text: str
    what: str
    strong: bool = False
    upright: tuple[float, float] | None = None


@dataclass(frozen=True)
class Label:
    """Words; `anchor`: start, middle or end. `upright`: where they stand when turned upright."""

    x: float
    y: float
    text: str
    anchor: str = "start"
    upright: tuple[float, float, str] = (0.0, 0.0, "start")


@dataclass(frozen=True)
class Drawing:
    """All shapes, drawn in this order: lines, circles, labels. `title` is read aloud."""

    title: str
    lines: tuple[Line, ...]
    circles: tuple[Circle, ...]
    labels: tuple[Label, ...]


def prepare(plan: HookUpPlan) -> Drawing:
    """The drawing of a plan."""
    engine = plan.engine
    roles = {c.role for c in plan.channels}
    rows = _rows(engine)
    places = _places(rows)
    top, bottom = _block(len(rows))
    lines = [_rectangle(_LEFT - 40.0, top, _RIGHT + 40.0, bottom, "engine block")]
    lines += [
        Line(((_LEFT - 70.0, top + 8.0), (_LEFT - 70.0, bottom - 8.0)), "plain", "belt"),
        Line(((_LEFT - 95.0, top - 10.0), (_LEFT - 95.0, bottom + 10.0)), "plain", "fan"),
    ]
    labels = [
        Label(
            10.0,
            bottom + 32.0,
            "belt, fan: keep away",
            upright=(0.5 * HEIGHT, 62.0, "middle"),
        ),
        Label(30.0, top - 36.0, "front of the engine", upright=(0.5 * HEIGHT, 24.0, "middle")),
    ]
    trigger = engine.trigger_cylinder or (1 if 1 in engine.firing_order else None)
    shown = ChannelRole.IGNITION in roles
    circles = [
        Circle(x, y, _RADIUS, str(c), f"cylinder {c}", strong=shown and c == trigger)
        for c, (x, y) in places.items()
    ]
    pipes = _exhaust(engine, places, len(rows), roles)
    taps, tap_labels = _taps(top, bottom, roles)
    cable = _cables(places, trigger if shown else None, top, taps, pipes.circles)
    return Drawing(
        title=f"Where the sensors go on {engine.name or 'this engine'}, seen from above",
        lines=(*lines, *pipes.lines, *cable.lines),
        circles=(*circles, *pipes.circles, *taps),
        labels=(*labels, *pipes.labels, *tap_labels, *cable.labels),
    )


def upright(drawing: Drawing) -> Drawing:
    """The same turned by a quarter, so that the front is at the top. Words are not turned."""
    lines = tuple(replace(one, points=tuple(map(_turned, one.points))) for one in drawing.lines)
    circles, labels = [], []
    for circle in drawing.circles:
        x, y = circle.upright or _turned((circle.x, circle.y))
        circles.append(replace(circle, x=x, y=y))
    for label in drawing.labels:
        x, y, anchor = label.upright
        labels.append(replace(label, x=x, y=y, anchor=anchor))
    return replace(drawing, lines=lines, circles=tuple(circles), labels=tuple(labels))


def _turned(point: tuple[float, float]) -> tuple[float, float]:
    return HEIGHT - point[1], point[0]


def _rows(engine: EngineSpec) -> tuple[tuple[int, ...], ...]:
    """Cylinder numbers per bank, front to back (numbers rise to the back in each)."""
    numbers = range(1, engine.cylinders + 1)
    if engine.banks is None or len(set(engine.banks)) == 1:
        return (tuple(numbers),)
    banks = sorted(set(engine.banks))
    return tuple(tuple(c for c in numbers if engine.banks[c - 1] == b) for b in banks)


def _block(rows: int) -> tuple[float, float]:
    middle, half = 215.0, 34.0 * rows + 6.0
    return middle - half, middle + half


def _places(rows: tuple[tuple[int, ...], ...]) -> dict[int, tuple[float, float]]:
    top, _ = _block(len(rows))
    out = {}
    longest = max(len(r) for r in rows)
    step = (_RIGHT - _LEFT) / max(1, longest - 1)
    for i, row in enumerate(rows):
        shift = 0.5 * (longest - len(row)) * step
        for j, cylinder in enumerate(row):
            x = _LEFT + shift + step * j if longest > 1 else 0.5 * (_LEFT + _RIGHT)
            out[cylinder] = (x, top + 40.0 + 68.0 * i)
    return out


def _rectangle(x0: float, y0: float, x1: float, y1: float, what: str) -> Line:
    return Line(((x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)), "plain", what)


@dataclass(frozen=True)
class _Part:
    lines: tuple[Line, ...] = ()
    circles: tuple[Circle, ...] = ()
    labels: tuple[Label, ...] = ()


def _exhaust(
    engine: EngineSpec,
    places: dict[int, tuple[float, float]],
    rows: int,
    roles: set[ChannelRole],
) -> _Part:
    """A collector per outlet under the block (the second above it) and its tailpipe."""
    top, bottom = _block(rows)
    outlets = sorted(set(engine.outlets))
    lines, circles, labels = [], [], []
    sensors = (ChannelRole.EXHAUST, ChannelRole.EXHAUST_2)
    for i, outlet in enumerate(outlets[:2]):
        below = len(outlets) == 1 or i == len(outlets[:2]) - 1
        y = bottom + 42.0 if below else top - 42.0
        fed = [c for c in places if engine.outlets[c - 1] == outlet]
        for c in fed:
            x, cy = places[c]
            edge = cy + _RADIUS if below else cy - _RADIUS
            lines.append(Line(((x, edge), (x + 14.0, y)), "hidden", f"port of cylinder {c}"))
        first = min(places[c][0] for c in fed) + 14.0
        lines.append(Line(((first, y), (_PIPE_END, y)), "pipe", f"exhaust of outlet {outlet}"))
        here = sensors[i] in roles
        circles.append(
            Circle(_PIPE_END, y, 15.0, "E" if i == 0 else "E2", f"sensor {sensors[i]}", here)
        )
        words = "tailpipe" if len(outlets) == 1 else f"tailpipe {outlet}"
        x, _ = _turned((0.0, y))  # upright, words stand on the inner side of the pipe
        inner, anchor = (1.0, "start") if below else (-1.0, "end")
        labels += [
            Label(
                _PIPE_END,
                y + (36.0 if below else -24.0),
                words,
                "middle",
                (x + 24.0 * inner, _PIPE_END + 6.0, anchor),
            ),
            Label(
                _PIPE_END - 150.0,
                y + (20.0 if below else -10.0),
                "hot",
                "middle",
                (x + 12.0 * inner, _PIPE_END - 55.0, anchor),
            ),
        ]
    return _Part(tuple(lines), tuple(circles), tuple(labels))


def _taps(
    top: float, bottom: float, roles: set[ChannelRole]
) -> tuple[tuple[Circle, ...], tuple[Label, ...]]:
    """Crankcase at the dipstick tube or the filler."""
    here = ChannelRole.CRANKCASE in roles
    x, y = _RIGHT + 70.0, 0.5 * (top + bottom)
    circles = [Circle(x, y, 15.0, "C", "sensor crankcase: dipstick tube or oil filler", here)]
    labels = [
        Label(x + 24.0, y - 2.0, "dipstick tube", upright=(HEIGHT - y, x + 38.0, "middle")),
        Label(x + 24.0, y + 16.0, "or oil filler", upright=(HEIGHT - y, x + 60.0, "middle")),
    ]
    if ChannelRole.STARTER_CURRENT in roles:
        x, y, below = _LEFT + 6.0, HEIGHT - 30.0, UPRIGHT[1] - 24.0
        circles.append(
            Circle(x, y, 15.0, "A", "clamp on starter lead", strong=True, upright=(24.0, below))
        )
        words = "clamp on the battery lead to the starter"
        labels.append(Label(x + 24.0, y + 5.0, words, upright=(50.0, below + 6.0, "start")))
    return tuple(circles), tuple(labels)


def _cables(
    places: dict[int, tuple[float, float]],
    trigger: int | None,
    top: float,
    taps: tuple[Circle, ...],
    pipes: tuple[Circle, ...],
) -> _Part:
    """The way to the recorder: over the top, behind the engine, never past belt and fan."""
    rail = min(top - 80.0, 60.0)
    end = (860.0, rail)
    tap = taps[0]
    lines = [
        Line(((tap.x, tap.y - 15.0), (tap.x, rail), end), "cable", "cable of the crankcase sensor")
    ]
    if trigger is not None and trigger in places:
        x, y = places[trigger]
        lines.append(Line(((x, y - _RADIUS), (x, rail), end), "cable", "cable of the trigger"))
    for pipe in pipes:
        lines.append(Line(((pipe.x + 15.0, pipe.y), (end[0], pipe.y), end), "cable",
                          f"cable of {pipe.what}"))  # fmt: skip
    labels = [
        Label(
            850.0,
            rail - 14.0,
            "cables to the recorder, through a window",
            "end",
            (HEIGHT - 8.0, end[0] + 26.0, "end"),
        ),
    ]
    if trigger is not None and trigger in places:
        x, y = places[trigger]
        beside = (HEIGHT - top + 8.0, x - 10.0, "start")
        labels.append(Label(x, top - 12.0, "T: trigger", "middle", beside))
    return _Part(tuple(lines), (), tuple(labels))

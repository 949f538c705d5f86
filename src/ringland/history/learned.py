"""Priors that learned from outcomes, put to use; and the trail of every update.

The trail is a text file of one JSON object per line that is only ever added to. The newest line
decides: its weights are used when the switch was on, the package's when it was off.
"""

import json
import os
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import cast

from ringland.diagnosis import load_knowledge
from ringland.diagnosis.knowledge import Knowledge
from ringland.errors import FileFormatError, SettingError
from ringland.history.track_record import PriorUpdate
from ringland.model import Estimate

__all__ = [
    "add_to_trail",
    "knowledge_from_trail",
    "knowledge_with",
    "package_weights",
    "read_trail",
    "update_as_json",
    "update_from_json",
]

SCHEMA = "ringland.prior_update/1"


def package_weights() -> Mapping[str, float]:
    """The weights of the failure modes as they come with the package."""
    return {mode.id: mode.weight for mode in load_knowledge().modes}


def knowledge_with(update: PriorUpdate) -> Knowledge:
    """The knowledge with the weights of an update; modes it does not name keep theirs.

    The weights sum to what they summed to before, so that nothing else moves.
    """
    knowledge = load_knowledge()
    if not update.enabled:
        return knowledge
    named = sum(m.weight for m in knowledge.modes if m.id in update.after)
    total = sum(update.after[m.id] for m in knowledge.modes if m.id in update.after)
    if total <= 0.0:
        return knowledge
    modes = tuple(
        replace(m, weight=update.after[m.id] * named / total) if m.id in update.after else m
        for m in knowledge.modes
    )
    return replace(knowledge, modes=modes)


def update_as_json(update: PriorUpdate) -> dict[str, object]:
    """Plain data; `update_from_json` reads it back."""
    return {
        "schema": SCHEMA,
        "made_utc": update.made_utc,
        "rule": update.rule,
        "enabled": update.enabled,
        "prior_weight": update.prior_weight,
        "counts": dict(update.counts),
        "outcome_ids": list(update.outcome_ids),
        "before": dict(update.before),
        "after": dict(update.after),
        "intervals": {m: [e.low, e.high] for m, e in update.intervals.items()},
        "left_out": list(update.left_out),
        "sentence": update.sentence,
    }


def update_from_json(document: object) -> PriorUpdate:
    """Raises FileFormatError when it is not what `update_as_json` makes."""
    try:
        if not isinstance(document, Mapping) or document["schema"] != SCHEMA:
            raise ValueError("another schema")
        after = {str(m): float(w) for m, w in document["after"].items()}
        if not after or min(after.values()) < 0.0 or not abs(sum(after.values()) - 1.0) < 1e-6:
            raise ValueError("the weights do not sum to 1")
        return PriorUpdate(
            made_utc=str(document["made_utc"]),
            rule=str(document["rule"]),
            enabled=bool(document["enabled"]),
            prior_weight=float(document["prior_weight"]),
            counts={str(m): int(n) for m, n in document["counts"].items()},
            outcome_ids=tuple(str(i) for i in document["outcome_ids"]),
            before={str(m): float(w) for m, w in document["before"].items()},
            after=after,
            intervals={
                str(m): Estimate(after[str(m)], float(low), float(high), "1")
                for m, (low, high) in document["intervals"].items()
            },
            left_out=tuple(str(m) for m in document["left_out"]),
            sentence=str(document["sentence"]),
        )
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
        raise FileFormatError(
            "A line of the trail of priors is damaged.",
            got=f"{type(error).__name__}: {error}",
            remedy="Take the line out, or set the file aside: the package's weights are then used.",
        ) from error


def add_to_trail(update: PriorUpdate, path: Path) -> None:
    """Add one line, and only return when it is on the disk. Raises SettingError when it cannot."""
    line = json.dumps(update_as_json(update), allow_nan=False)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("r+b" if path.exists() else "x+b") as file:
            text = file.read()
            # a line without its end was cut off while it was written and never confirmed
            file.seek(text.rfind(b"\n") + 1)
            file.truncate()
            file.write(line.encode("ascii") + b"\n")
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise SettingError(
            "The trail of priors could not be written.",
            got=f"{path.name}: {error.strerror or error}",
            remedy="Make room, or give a folder that can be written to.",
        ) from error


def read_trail(path: Path) -> tuple[PriorUpdate, ...]:
    """All updates, oldest first; none when there is no file. A last line that was cut off is left
    out. Raises FileFormatError for any other damage."""
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return ()
    except (OSError, UnicodeDecodeError) as error:
        raise FileFormatError("The trail of priors cannot be read.", got=str(error)) from error
    lines = text.split("\n")
    whole, rest = lines[:-1], lines[-1]
    found = [update_from_json(_object(line)) for line in whole if line.strip()]
    if rest.strip():
        with suppress(FileFormatError):  # cut off while it was written
            found.append(update_from_json(_object(rest)))
    return tuple(found)


def _object(line: str) -> object:
    try:
        return cast(object, json.loads(line))
    except (ValueError, RecursionError) as error:
        raise FileFormatError(
            "A line of the trail of priors is no JSON.", got=str(error)
        ) from error


def knowledge_from_trail(path: Path) -> Knowledge:
    """The knowledge as the newest update leaves it; the package's without one."""
    trail = read_trail(path)
    return knowledge_with(trail[-1]) if trail else load_knowledge()

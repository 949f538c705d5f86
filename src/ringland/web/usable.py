"""Is a recording usable, and what to do: the quality part of an analysis in a few lines."""

from dataclasses import dataclass
from typing import Any

__all__ = ["Trouble", "Usability", "usability"]

_RANK = {"ok": 0, "not_checked": 0, "suspect": 1, "unusable": 2}


@dataclass(frozen=True)
class Trouble:
    """One thing that is wrong with a channel, and what to do about it."""

    channel: str
    verdict: str
    message: str
    action: str


@dataclass(frozen=True)
class Usability:
    """`mark` is ok, suspect or unusable; `word` says it; `troubles` the worst first."""

    mark: str
    word: str
    reason: str
    troubles: tuple[Trouble, ...]


def usability(document: dict[str, Any]) -> Usability:
    """From the JSON document of an analysis."""
    troubles = sorted(
        (
            Trouble(c["channel"] or "whole recording", f["verdict"], f["message"], f["action"])
            for c in document["quality"]["channels"]
            for f in c["checks"]
            if f["verdict"] in ("suspect", "unusable")
        ),
        key=lambda t: -_RANK[t.verdict],
    )
    if document["not_judged"] is not None:
        return Usability("unusable", "not usable", document["not_judged"], tuple(troubles))
    if any(t.verdict == "unusable" for t in troubles):
        return Usability("suspect", "usable in part", "", tuple(troubles))
    if troubles:
        return Usability("suspect", "usable with doubts", "", tuple(troubles))
    return Usability("ok", "usable", "", ())

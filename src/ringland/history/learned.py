"""Priors that learned from outcomes, put to use; and the trail of every update.

The store keeps the newest update; analyses use its weights while the switch is on, and those of the
package while it is off, as it is at first. Every switching stands in the audit log with the whole
update. Outcomes confirmed later count from the next switching on, so that two analyses of one day
do not differ for a reason nobody sees.
"""

import json
from collections.abc import Mapping
from typing import cast

from sqlalchemy import Connection, delete, insert, select

from ringland.diagnosis import load_knowledge
from ringland.errors import FileFormatError
from ringland.history.ids import id_from, utc_now
from ringland.history.insight import calls
from ringland.history.schema import audit, info
from ringland.history.shelves import Act, record
from ringland.history.store import Store
from ringland.history.track_record import PriorUpdate, updated_weights
from ringland.model import Estimate, LearnedPriors

__all__ = [
    "copy_switch",
    "newest_update",
    "outcomes_since",
    "package_weights",
    "priors_of",
    "switch_priors",
    "trail",
    "update_as_json",
    "update_from_json",
]

SCHEMA = "ringland.prior_update/1"
_KEY = _KIND = "priors"
_ROW = id_from(_KIND)


def package_weights() -> Mapping[str, float]:
    """The weights of the failure modes as they come with the package."""
    return {mode.id: mode.weight for mode in load_knowledge().modes}


def switch_priors(store: Store, *, on: bool, made_utc: str | None = None) -> PriorUpdate:
    """Learn from all outcomes confirmed so far and use it from now on, or use the package's again.

    Switched on once more it takes in what was confirmed since. One line in the audit log.
    """
    with store.transaction() as connection:
        before = newest_update(store)
        update = updated_weights(
            package_weights(), calls(store), made_utc=made_utc or utc_now(), enabled=on
        )
        content = update_as_json(update)
        text = json.dumps(content, allow_nan=False)
        _put(connection, text)
        old, new = _in_force(before), _in_force(update)
        fields = {
            "on": [before is not None and before.enabled, on],
            "set": [old.sha256 if old else "package", new.sha256 if new else "package"],
            "update": [None, content],
        }
        record(Act(connection, store.who, "switch"), _KIND, _ROW, fields)
    return update


def _put(connection: Connection, text: str) -> None:
    connection.execute(delete(info).where(info.c.key == _KEY))
    connection.execute(insert(info).values(key=_KEY, value=text))


def newest_update(store: Store) -> PriorUpdate | None:
    """The update of the last switching, on or off; None when it was never touched. Raises
    FileFormatError for a damaged one."""
    with store.reading() as connection:
        text = connection.scalar(select(info.c.value).where(info.c.key == _KEY))
    return None if text is None else update_from_json(_object(text))


def priors_of(store: Store) -> LearnedPriors | None:
    """What analyses use now; None for the weights of the package."""
    return _in_force(newest_update(store))


def _in_force(update: PriorUpdate | None) -> LearnedPriors | None:
    """None while switched off, and when nothing was confirmed that could be learned from."""
    if update is None or not update.enabled or not update.outcome_ids:
        return None
    return LearnedPriors(
        tuple(sorted(update.after.items())), len(update.outcome_ids), update.made_utc
    )


def outcomes_since(store: Store) -> int:
    """How many confirmed outcomes the newest update has not counted: new, or taken back since."""
    update = newest_update(store)
    counted = set(update.outcome_ids) if update is not None else set()
    known = package_weights()
    return len(counted ^ {call.outcome_id for call in calls(store) if call.found in known})


def trail(store: Store) -> tuple[PriorUpdate, ...]:
    """Every update, oldest first, as the audit log has it; those of stores merged in too."""
    query = select(audit.c.fields).where(audit.c.row_id == _ROW).order_by(audit.c.utc, audit.c.id)
    with store.reading() as connection:
        lines = connection.scalars(query).all()
    return tuple(update_from_json(_object(line)["update"][1]) for line in lines)


def copy_switch(source: Store, target: Store) -> None:
    """Take the newest update along to a copy of the store."""
    update = newest_update(source)
    if update is not None:
        with target.transaction() as connection:
            _put(connection, json.dumps(update_as_json(update), allow_nan=False))


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
            "An update of the priors is damaged.",
            got=f"{type(error).__name__}: {error}",
            remedy="Switch them off or on anew: ringland fleet priors off",
        ) from error


def _object(text: str) -> dict[str, list[object]]:
    try:
        return cast(dict[str, list[object]], json.loads(text))
    except (ValueError, RecursionError) as error:
        raise FileFormatError("An update of the priors is no JSON.", got=str(error)) from error

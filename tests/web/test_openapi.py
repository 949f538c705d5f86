"""A slice of what schemathesis makes of the OpenAPI description: no address answers with a fault,
and every error has the one shape. Answers that are no error are held to their models by the app."""

import os
from typing import Any

import schemathesis
from fastapi import FastAPI
from fastapi.testclient import TestClient
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from .conftest import BASE

ERROR = {"error", "wrong", "got", "allowed", "remedy"}
LEFT_OUT = ("/api/v1/events",)  # a stream without end
EXAMPLES = int(os.environ.get("RINGLAND_API_EXAMPLES", "4"))
"""Of each operation; more for a long run (with --timeout=0)."""


def operations(app: FastAPI) -> list[Any]:
    """Everything that the description offers."""
    schema = schemathesis.openapi.from_dict(app.openapi())
    found: list[Any] = [result.ok() for result in schema.get_all_operations()]  # type: ignore[union-attr]
    return [op for op in found if op.path not in LEFT_OUT]


def _sendable(value: object) -> bool:
    return str(value).isascii() and str(value).isprintable()


def test_nothing_given_at_random_makes_a_fault(app: FastAPI, client: TestClient) -> None:
    offered = operations(app)
    assert len(offered) > 60
    let_in = {"X-Ringland-Token": client.headers["X-Ringland-Token"]}
    seen: dict[str, set[int]] = {}

    def send(case: Any) -> None:
        given_ = case.as_transport_kwargs(base_url=BASE)
        headers = {k: str(v) for k, v in (given_.get("headers") or {}).items() if _sendable(v)}
        content = given_.get("data")
        answer = client.request(
            case.method,
            given_["url"],
            params=given_.get("params"),
            headers={**headers, **let_in},
            **({"content": content} if content is not None else {"json": given_.get("json")}),
        )
        label = f"{case.method} {case.path}"
        seen.setdefault(label, set()).add(answer.status_code)
        assert answer.status_code < 500, f"{label}: {answer.text[:500]}"
        if answer.status_code >= 400:
            assert set(answer.json()) >= ERROR, f"{label}: {answer.text[:300]}"

    for operation in offered:
        strategy = operation.as_strategy()

        @settings(
            max_examples=EXAMPLES,
            deadline=None,
            database=None,
            derandomize=True,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
        @given(case=strategy, _=st.none())
        def once(case: Any, _: None) -> None:
            send(case)

        once()
    assert len(seen) == len(offered)

"""Asks everything that the API's own description allows, ten thousand times, and holds each answer against it.

    python api_schema.py http://127.0.0.1:8470 [REQUESTS]

The requests are drawn by a fixed seed. No answer may be a failure of the server, and every one must be of a status, a kind of
content and a shape that the description names. What people ask is asked too: run it on a simulated line only.
"""
import collections
import sys
import time

import hypothesis
import requests
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)

SEED = 20_261_126
CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
]


def real_names(session, url):
    """Names that the line has, so that not everything asked for is missing."""
    alarms = session.get(f"{url}/api/v1/alarms", timeout=20).json()
    signals = session.get(f"{url}/api/v1/signals", timeout=20).json()
    return {"id": alarms["items"][0]["id"], "tag": signals["items"][0]["tag"], "run": alarms["run"]}


def make_real(case, real):
    """The same request of something that is there."""
    for name in case.path_parameters or {}:
        if name in real:
            case.path_parameters[name] = real[name]
    for name, key in (("alarm", "id"), ("signal", "tag")):
        if name in (case.query or {}):
            case.query[name] = real[key]
    if isinstance(case.body, dict) and "run" in case.body:
        case.body["run"] = real["run"]


def ask(operation, count, seed, count_one):
    """Draws `count` requests of `operation` and hands each to `count_one`; what is drawn twice is asked once, so it may be fewer."""

    @hypothesis.seed(seed)
    @settings(
        max_examples=count,
        deadline=None,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(case=operation.as_strategy())
    def draw(case):
        count_one(operation, case)

    draw()


def main(url, requests_most):
    schema = schemathesis.openapi.from_url(f"{url}/api/v1/openapi.json")
    operations = [result.ok() for result in schema.get_all_operations()]
    assert len(operations) >= 25, [operation.label for operation in operations]
    # A reload would end the run under the others' feet; a test of its own asks for it.
    operations = [one for one in operations if not one.path.endswith("/reload")]
    # Where nothing can be varied one request is all there is: the others make up for it.
    varied = [one for one in operations if one.path_parameters.items or one.query.items or one.body]
    asked, statuses, spent = collections.Counter(), collections.Counter(), collections.Counter()
    session = requests.Session()
    real = real_names(session, url)

    def count_one(operation, case):
        if asked[operation.label] % 2:
            make_real(case, real)
        begun = time.monotonic()
        answer = case.call(session=session, timeout=20)
        asked[operation.label] += 1
        spent[operation.label] += time.monotonic() - begun
        statuses[answer.status_code] += 1
        case.validate_response(answer, checks=CHECKS)

    each = requests_most // len(varied) + 1
    for operation in operations:
        ask(operation, each, SEED, count_one)
    # Another seed draws others, until as many are asked as were wanted. The quickest go first: they are as good as any.
    quickest = sorted(varied, key=lambda one: spent[one.label] / asked[one.label])
    for turn in range(1, 6):
        for operation in quickest:
            missing = requests_most - sum(asked.values())
            if missing > 0:
                ask(operation, min(missing + 10, each), SEED + turn, count_one)
    total = sum(asked.values())
    assert total >= requests_most, (total, asked)
    assert statuses[200] > 0 and statuses[404] > 0 and statuses[422] > 0, statuses
    slowest = ", ".join(f"{label} {spent[label] / asked[label] * 1000:.1f} ms" for label, _ in spent.most_common(3))
    print(f"api: mean times of the three that took longest: {slowest}")
    print(f"api: {total} requests of {len(asked)} operations, seed {SEED}, answers {dict(sorted(statuses.items()))}, all as described")


main(sys.argv[1], int(sys.argv[2]) if len(sys.argv) > 2 else 10_000)

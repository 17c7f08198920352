"""Reads `/metrics` of a running daemon with the parser of the OpenMetrics reference client.

    python metrics.py http://127.0.0.1:8470
"""
import sys
import urllib.request

from prometheus_client.openmetrics.parser import text_string_to_metric_families

NEEDED = {
    "setward_build": "info",
    "setward_start_time_seconds": "gauge",
    "setward_snapshot_age_seconds": "gauge",
    "setward_run": "gauge",
    "setward_samples_stored": "counter",
    "setward_samples_lost": "counter",
    "setward_events_lost": "counter",
    "setward_history_waits": "gauge",
    "setward_history_file_bytes": "gauge",
    "setward_history_journal_bytes": "gauge",
    "setward_history_open_chunks_bytes": "gauge",
    "setward_history_disk_free_bytes": "gauge",
    "setward_polls": "counter",
    "setward_poll_failures": "counter",
    "setward_poll_duration_seconds": "counter",
    "setward_reply_time_seconds": "gauge",
    "setward_controller_answers": "gauge",
    "setward_alarms_raised": "counter",
    "setward_alarms_standing": "gauge",
    "setward_alarms_unacknowledged": "gauge",
}


def main(url):
    with urllib.request.urlopen(f"{url}/metrics", timeout=10) as answer:
        kind = answer.headers["Content-Type"]
        text = answer.read().decode()
    assert kind.startswith("application/openmetrics-text; version=1.0.0"), kind
    found = {family.name: family for family in text_string_to_metric_families(text)}
    for name, kind in NEEDED.items():
        assert name in found, f"{name} is missing from {sorted(found)}"
        assert found[name].type == kind, f"{name} is a {found[name].type}, not a {kind}"
        assert found[name].documentation, f"{name} says nothing of itself"

    def values(name):
        return [sample.value for sample in found[name].samples if not sample.name.endswith("_created")]

    assert all(value > 0 for value in values("setward_polls")), text
    assert values("setward_samples_stored")[0] > 0, text
    assert values("setward_samples_lost") == [0], text
    assert 0 < min(values("setward_reply_time_seconds")) and max(values("setward_reply_time_seconds")) < 1, text
    assert values("setward_snapshot_age_seconds")[0] < 10, text
    assert values("setward_history_open_chunks_bytes")[0] > 0, text
    priorities = {sample.labels["priority"] for sample in found["setward_alarms_standing"].samples}
    assert priorities == {"low", "medium", "high"}, priorities
    print(f"metrics: {len(found)} families, {sum(len(family.samples) for family in found.values())} samples, read by another's parser")


main(sys.argv[1])

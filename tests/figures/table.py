"""The table: every figure that was agreed with what was measured for it, then what else is worth knowing. Pure."""

MISSING = "not measured"


class Figures:
    """What was measured, by name. A text that needs a missing number is missing."""

    def __init__(self, found):
        self.found = found

    def text(self, template):
        class Known(dict):
            def __missing__(self, key):
                raise KeyError(key)

        try:
            return template.format_map(Known({key.replace(".", "__"): value for key, value in self.found.items()}))
        except KeyError:
            return MISSING

    def number(self, name):
        return self.found.get(name)

    def ratio(self, over, under, digits=2):
        above, below = self.found.get(over), self.found.get(under)
        return MISSING if above is None or not below else f"{above / below:.{digits}f}"

    def verdict(self, limits):
        """`limits` are (name, most) or (name, least, "least")."""
        values = [(self.found.get(limit[0]), limit) for limit in limits]
        if not limits or any(value is None for value, _ in values):
            return ""
        met = [value >= limit[1] if len(limit) == 3 else value <= limit[1] for value, limit in values]
        return "yes" if all(met) else "**no**"


# What; reach; measured; limits by which it is reached. In the order in which they were agreed.
AGREED = [
    ("processor a block read, tick to words, four reads a scan", "<= 1.15x a bare tokio-modbus loop",
     "{poller__four_reads__setward:.1f} us", [("poller.four_reads.setward.ratio", 1.15)]),
    ("the same, one read a scan", "<= 1.15x", "{poller__one_read__setward:.1f} us", [("poller.one_read.setward.ratio", 1.15)]),
    ("200 scattered signals: requests", "the fewest that declared gaps allow: 4", "{scattered__requests:.0f}; {scattered__ratio:.0f}x less processor than one by one",
     [("scattered.requests", 4)]),
    ("decode and evaluate a sample, demo line", "<= 150 ns", "{core__sample:.0f} ns; of it {core__decode:.0f} ns decoding; with stations and recipes {core__with_stations:.0f} ns",
     [("core.sample", 150)]),
    ("its heap allocations; a scan of four reads", "0; a fixed number", "{allocations__sample:.0f}; {allocations__scan:.0f}", [("allocations.sample", 0)]),
    ("value in the controller to alarm in the API, 1 s scan", "<= 1 scan + reply + 100 ms",
     "p50 {latency__p50:.0f}, p99 {latency__p99:.0f}, max {latency__max:.0f} ms of {latency__count:.0f}", [("latency.max", 1110)]),
    ("the same beside 8 controllers that say nothing", "the same",
     "p50 {latency_silent__p50:.0f}, p99 {latency_silent__p99:.0f}, max {latency_silent__max:.0f} ms of {latency_silent__count:.0f}", [("latency_silent.max", 1110)]),
    ("lateness of scans each 100 ms beside 8 controllers that say nothing, p99.9", "< 10 % of a scan", "{lateness__p999:.1f} ms, max {lateness__max:.1f} ms, {lateness__in_time:.3f} % of {lateness__scans:.0f} in time",
     [("lateness.p999", 10)]),
    ("scans of sound controllers in time while each 10 s another one has a fault", ">= 99.99 %",
     "{chaos__in_time:.4f} % of {chaos__scans:.0f} beside {chaos__faults:.0f} faults; read again after {chaos__again_p50:.2f} s, at most {chaos__again_max:.2f} s",
     [("chaos.in_time", 99.99, "least")]),
    ("300 signals, 10 controllers, 300 alarms, 1 Hz", "<= 1 % of a core, <= 40 MB",
     "{idle__cpu:.2f} %, {idle__rss:.0f} MB; while looked at {idle_watched__cpu:.2f} %", [("idle.cpu", 1), ("idle.rss", 40)]),
    ("history, 300 signals at 1 s: bytes a sample", "<= 0.6", "{history__bytes:.3f} over {history__days} days", [("history.bytes", 0.6)]),
    ("history in bulk", ">= 5 M samples/s", "{history__speed_m:.1f} M samples/s", [("history.speed_m", 5, "least")]),
    ("a trend of 30 days", "<= 15 ms", "{start__month_trend_ms:.1f} ms, of a year's history", [("start.month_trend_ms", 15)]),
    ("an exact window of two minutes", "<= 1 ms", "{history__exact_ms:.2f} ms", [("history.exact_ms", 1)]),
    ("device writes", "<= 0.8 GB a day", "{writes__gb_a_day:.2f} GB a day", [("writes.gb_a_day", 0.8)]),
    ("lost at a power cut, on ext4: age of the oldest reading that is gone", "<= 1 s",
     "at most {cuts__max_s:.2f} s, half {cuts__p50_s:.2f} s, in {cuts__count:.0f} cuts; every history sound", [("cuts.max_s", 1)]),
    ("memory of the history in bulk", "<= 40 MB", "{history__rss_mb:.0f} MB", [("history.rss_mb", 40)]),
    ("replay of alarm settings", ">= 5 M samples/s a core", "{replay__one:.1f} M; four settings at once {replay__four:.1f} M each sample and set",
     [("replay.one", 5, "least")]),
    ("virtual time, whole system with physics", ">= 20,000x; same seed, same journal",
     "{virtual__speed:.0f}x; with an oracle at every sample {virtual__judged:.0f}x; the seed: `tests/line/virtual_time.rs`",
     [("virtual.speed", 20000, "least")]),
    ("start to the first complete scan", "<= 0.5 s", "{start__empty_ms:.0f} ms", [("start.empty_ms", 500)]),
    ("the same with a year of history", "<= 2 s", "{start__year_ms:.0f} ms over {start__file_gb:.2f} GB; the first time {start__year_first_ms:.0f} ms",
     [("start.year_ms", 2000), ("start.year_first_ms", 2000)]),
    ("wrong values / samples lost / missed / false alarms", "0 / 0 / 0 / 0 in a year with 4.5 % bad replies",
     "{virtual__wrong:.0f} / {virtual__lost:.0f} / {virtual__missed:.0f} / {virtual__false:.0f} in {virtual__days} days, {virtual__samples:.0f} samples; a year: `tests/run long-year`",
     [("virtual.wrong", 0), ("virtual.lost", 0), ("virtual.missed", 0), ("virtual.false", 0)]),
]

BESIDE = [
    ("one alarm of each of ten kinds on one signal", "{core__all_kinds:.0f} ns a sample"),
    ("each kind alone, ns a sample", "limit {core__kind__limit:.0f}, deviation {core__kind__deviation:.0f}, time-weighted {core__kind__time-weighted:.0f}, moving-average {core__kind__moving-average:.0f}, discrepancy {core__kind__discrepancy:.0f}, rate {core__kind__rate:.0f}, status {core__kind__status:.0f}, equivalent-time {core__kind__equivalent-time:.0f}, drift {core__kind__drift:.0f}, measurement {core__kind__measurement:.0f}"),
    ("at capacity: 4,096 signals and alarms, 64 controllers, 10 Hz", "{capacity__cpu:.0f} % of a core, {capacity__rss:.0f} MB, {capacity__scans:.0f} scans/s of 640; while looked at {capacity_watched__cpu:.0f} %"),
    ("trend page of a week, of a month: answer on a year's history", "{page__week_ms:.0f} ms, {page__month_ms:.0f} ms; {page__week_kb:.0f} kB, {page__month_kb:.0f} kB not packed"),
    ("their data alone", "{page__week_data_ms:.0f} ms, {page__month_data_ms:.0f} ms"),
    ("page of the line, of an alarm", "{page__line_ms:.1f} ms, {page__alarm_ms:.1f} ms"),
    ("programs without symbols", "setward {size__setward_mb:.1f} MB, sim-plc {size__sim-plc_mb:.1f} MB"),
    ("programs as packaged", "setward {size__setward__packaged_mb:.1f} MB, sim-plc {size__sim-plc__packaged_mb:.1f} MB"),
    ("a clean build as packaged", "{build__s:.0f} s"),
]


def floors(figures):
    """For each agreed figure: how it stands to the least that can be, and to others."""
    def of_poller(kind):
        name = f"poller.{kind}.setward"
        peers = [f"{peer} {figures.ratio(name, f'poller.{kind}.{peer}')}" for peer in ("libmodbus", "pymodbus")]
        limited = f"with a time limit a read {figures.ratio(name, f'poller.{kind}.bare_with_limit')}"
        return figures.text(f"{{poller__{kind}__setward__ratio:.2f}} of the bare loop; {limited}"), ", ".join(peers)

    found = {}
    found["processor a block read, tick to words, four reads a scan"], found["the same, one read a scan"] = of_poller("four_reads"), of_poller("one_read")
    found["decode and evaluate a sample, demo line"] = (f"{figures.ratio('core.sample', 'core.decode', 1)} of decoding alone", "")
    rows, pco = "history.rows", "history.pco"
    found["history, 300 signals at 1 s: bytes a sample"] = (f"{figures.ratio('history.bytes', f'{pco}.bytes')} of bare pco", f"plain SQLite rows {figures.ratio('history.bytes', f'{rows}.bytes', 3)}")
    found["history in bulk"] = (f"{figures.ratio('history.speed', f'{pco}.speed')} of bare pco", f"plain SQLite rows {figures.ratio('history.speed', f'{rows}.speed', 0)}")
    found["replay of alarm settings"] = (f"{figures.ratio('replay.one', 'replay.reading')} of reading alone", "")
    found["virtual time, whole system with physics"] = (f"{figures.ratio('virtual.speed', 'virtual.bare')} of the library's client and the plant with nothing behind them", "")
    unknown = set(found) - {row[0] for row in AGREED}
    assert not unknown, unknown
    return [found.get(row[0], ("", "")) for row in AGREED]


def render(found, head):
    """Markdown."""
    if "history.speed" in found:
        found["history.speed_m"] = found["history.speed"] / 1e6
    figures = Figures(found)
    lines = [head, "", "| what | reach | measured | of the floor | of peers | reached |", "|---|---|---|---|---|---|"]
    for (what, reach, measured, limits), (floor, peers) in zip(AGREED, floors(figures)):
        floor, peers = ("" if MISSING in one else one for one in (floor, peers))
        lines.append(f"| {what} | {reach} | {figures.text(measured)} | {floor} | {peers} | {figures.verdict(limits)} |")
    lines += ["", "| beside them | measured |", "|---|---|"]
    lines += [f"| {what} | {figures.text(measured)} |" for what, measured in BESIDE]
    return "\n".join(lines) + "\n"

"""Loads an exported CSV with pandas, as a person at a desk would, and says whether it came in as what it is.

    history_csv.py FILE [--decimal-comma]
"""

import sys

import pandas


def main():
    is_comma = "--decimal-comma" in sys.argv[2:]
    options = {"sep": ";", "decimal": ","} if is_comma else {}
    table = pandas.read_csv(sys.argv[1], parse_dates=["utc"], **options)
    assert len(table) > 0
    assert str(table["utc"].dtype).startswith("datetime64") and table["utc"].dt.tz is not None, table["utc"].dtype
    for column in ("value", "setpoint", "tolerance_low", "tolerance_high"):
        assert table[column].dtype == "float64", f"{column} is {table[column].dtype}"
    local = pandas.to_datetime(table["local_time"], utc=True)
    assert (local == table["utc"]).all(), "local time and UTC name the same moment"
    bad = table["quality"].str.startswith("bad")
    assert (table["value"].isna() == bad).all(), "a value unless it is bad"
    assert table.groupby(["run", "tag"])["utc"].apply(lambda times: times.is_monotonic_increasing).all()
    low, high = table["tolerance_low"], table["tolerance_high"]
    assert ((low <= high) | low.isna()).all() and not low.isna().all(), "the recipe's tolerance is there"
    print(f"{len(table)} readings of {table['tag'].nunique()} signals, {int(bad.sum())} without a value")


if __name__ == "__main__":
    main()

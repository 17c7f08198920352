"""Loads an exported Parquet file with pandas beside the CSV of the same readings: the same table, with types of its own.

    history_parquet.py FILE.parquet FILE.csv
"""

import sys

import pandas
import pyarrow
import pyarrow.parquet


def main():
    types = {field.name: field.type for field in pyarrow.parquet.read_schema(sys.argv[1])}
    assert types["utc"] == pyarrow.timestamp("ms", tz="UTC"), types["utc"]
    for column in ("value", "setpoint", "tolerance_low", "tolerance_high"):
        assert types[column] == pyarrow.float64(), f"{column} is {types[column]}"
    for column in ("tag", "unit", "quality", "recipe", "batch"):
        assert types[column] == pyarrow.string(), f"{column} is {types[column]}"
    assert types["run"] == pyarrow.int64(), types["run"]
    group = pyarrow.parquet.ParquetFile(sys.argv[1]).metadata.row_group(0)
    columns = {group.column(index).path_in_schema: group.column(index) for index in range(group.num_columns)}
    assert any("DICTIONARY" in encoding for encoding in columns["tag"].encodings), columns["tag"].encodings

    found = pandas.read_parquet(sys.argv[1])
    expected = pandas.read_csv(sys.argv[2], parse_dates=["utc"], dtype={"batch": "string"}).drop(columns="local_time")
    assert len(found) == len(expected) > 0 and list(found.columns) == list(expected.columns)
    assert (found["utc"] == expected["utc"]).all()
    for column in ("tag", "unit", "quality", "recipe", "batch"):
        told = found[column].fillna("").astype(str).str.lstrip("'")
        assert (told == expected[column].fillna("").astype(str).str.lstrip("'")).all(), column
    assert (found["run"] == expected["run"]).all()
    for column in ("value", "setpoint", "tolerance_low", "tolerance_high"):
        assert (found[column].isna() == expected[column].isna()).all(), column
        # The CSV has twelve digits.
        apart = (found[column] - expected[column]).abs().fillna(0)
        assert (apart <= 1e-11 * expected[column].abs().fillna(1).clip(lower=1)).all(), column
    assert found["value"].isna().equals(found["quality"].str.startswith("bad"))
    print(f"{len(found)} readings of {found['tag'].nunique()} signals, equal to the CSV, with their types")


if __name__ == "__main__":
    main()

"""The task in Polars: frames.py FOLDER OUT. Files scanned with their schema, then expressions; two threads. Says how
many seconds it took, without the start of Python."""

import os
import sys
import time
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

os.environ.setdefault("POLARS_MAX_THREADS", "2")
import polars as pl  # noqa: E402  its threads are counted when it is imported

ZONE = ZoneInfo("America/Chicago")
LIMIT = 4 * 3600
ROWS = "https://record.hospital.example/flowsheet/rows"
CLEAN, BRUSH = "FR-101", "FR-102"
TEXT = pl.String
REFERENCE = pl.Struct({"reference": TEXT})


def instant(column):
    return column.str.to_datetime("%Y-%m-%dT%H:%M:%S%z", time_zone="UTC").dt.epoch("s")


def who():
    return pl.col("subject").struct.field("reference").alias("who")


def care(folder):
    schema = {
        "status": TEXT,
        "code": pl.Struct({"coding": pl.List(pl.Struct({"system": TEXT, "code": TEXT}))}),
        "subject": REFERENCE,
        "performedPeriod": pl.Struct({"end": TEXT}),
    }
    coding = pl.col("coding").struct
    return (
        pl.scan_ndjson(f"{folder}/Procedure.ndjson", schema=schema)
        .filter(pl.col("status") == "completed")
        .select(
            who(),
            coding=pl.col("code").struct.field("coding"),
            end=pl.col("performedPeriod").struct.field("end"),
        )
        .explode("coding")
        .filter((coding.field("system") == ROWS) & coding.field("code").is_in([CLEAN, BRUSH]))
        .select("who", row=coding.field("code"), at=instant(pl.col("end")))
        .unique()
        .collect(engine="streaming")
    )


def wards(folder):
    place = pl.Struct({"location": REFERENCE})
    frame = pl.scan_ndjson(f"{folder}/Encounter.ndjson", schema={"subject": REFERENCE, "location": pl.List(place)})
    unit = pl.col("location").list.first().struct.field("location").struct.field("reference")
    return frame.select(who(), unit=unit.str.strip_prefix("Location/")).collect()


def spans(folder):
    period = pl.Struct({"start": TEXT, "end": TEXT})
    frame = pl.scan_ndjson(f"{folder}/DeviceUseStatement.ndjson", schema={"subject": REFERENCE, "timingPeriod": period})
    used = frame.select(
        who(),
        b=instant(pl.col("timingPeriod").struct.field("start")),
        e=instant(pl.col("timingPeriod").struct.field("end")),
    ).sort("who", "b", "e")
    ended = pl.col("e").cum_max().shift(1).over("who")
    apart = (pl.col("b") > ended + 3600).fill_null(False)
    used = used.with_columns(n=apart.cast(pl.Int64).cum_sum().over("who"))
    return used.group_by("who", "n").agg(pl.col("b").min(), pl.col("e").max()).collect()


class Days:
    def __init__(self, first, last):
        day = datetime.fromtimestamp(first, ZONE).date()
        names = []
        while not names or begins[-1] <= last:
            begins = [*(begins if names else []), int(datetime(day.year, day.month, day.day, tzinfo=ZONE).timestamp())]
            names.append(str(day))
            day += timedelta(days=1)
        self.names, self.begins = names, pl.Series(begins)

    def of(self, values):
        return self.begins.search_sorted(values, side="right").cast(pl.Int64) - 1

    def sum(self, frame, start, end, name):
        """Seconds from `start` to `end` by who and day."""
        frame = frame.filter(pl.col(start) < pl.col(end))
        first, last = self.of(frame[start]), self.of(frame[end] - 1)
        frame = frame.with_columns(day=pl.int_ranges(first, last + 1, eager=True)).explode("day")
        begins, ends = self.begins.gather(frame["day"]), self.begins.gather(frame["day"] + 1)
        length = pl.min_horizontal(pl.col(end), ends) - pl.max_horizontal(pl.col(start), begins)
        return frame.with_columns(long=length).group_by("who", "day").agg(pl.col("long").sum().alias(name))

    def count(self, frame, name):
        return frame.with_columns(day=self.of(frame["at"])).group_by("who", "day").agg(pl.len().alias(name))


def count(care, ward, span, days):
    credit = care.join(span, on="who").filter((pl.col("at") >= pl.col("b")) & (pl.col("at") < pl.col("e")))
    cleaned = credit.filter(pl.col("row") == CLEAN).select("who", "n", "e", "at", cleaned=True)
    begun = span.select("who", "n", "e", at="b", cleaned=False)
    piece = pl.concat([cleaned, begun]).sort("who", "n", "at", "cleaned")
    piece = piece.with_columns(until=pl.col("at").shift(-1).over("who", "n").fill_null(pl.col("e")))
    piece = piece.with_columns(deadline=pl.min_horizontal("until", pl.col("at") + LIMIT))
    late = piece.filter(pl.col("until") > pl.col("at") + LIMIT)
    late = late.select("who", at=pl.int_ranges(pl.col("at") + LIMIT, pl.col("until"), LIMIT)).explode("at")
    cells = days.sum(span, "b", "e", "at_risk")
    others = [
        days.sum(piece, "at", "deadline", "covered"),
        days.count(cleaned, "cleaned"),
        days.count(late, "missed"),
        days.count(credit.filter(pl.col("row") == BRUSH), "brushed"),
    ]
    for other in others:
        cells = cells.join(other, on=["who", "day"], how="left")
    long = days.begins.gather(cells["day"] + 1) - days.begins.gather(cells["day"])
    cells = cells.fill_null(0).with_columns(need=2 * pl.col("at_risk") // long)
    cells = cells.with_columns(met=pl.min_horizontal("need", "brushed"))
    cells = cells.with_columns(unmet=pl.col("need") - pl.col("met")).join(ward, on="who")
    sums = pl.col("at_risk", "covered", "cleaned", "missed", "met", "unmet").sum()
    return cells.group_by("unit", "day").agg(sums).sort("unit", "day")


def main():
    folder, out = sys.argv[1:3]
    begun = time.perf_counter()
    given = care(folder)
    loaded = time.perf_counter()
    span = spans(folder)
    days = Days(span["b"].min(), span["e"].max())
    cells = count(given, wards(folder), span, days)
    with open(out, "w") as file:
        for unit, day, *values in cells.rows():
            print(unit, days.names[day], *values, sep=",", file=file)
    ended = time.perf_counter()
    print(f"loaded in {loaded - begun:.3f}, counted in {ended - loaded:.3f}")
    print(f"seconds {ended - begun:.3f}")


main()

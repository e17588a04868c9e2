"""The task in plain Python: plain.py json|orjson|msgspec FOLDER OUT. Also the slow reading that the others are held
against, so it goes span by span and credit by credit. Says how many seconds it took, without the start of Python."""

import json
import sys
import time
from bisect import bisect_left, bisect_right
from collections import defaultdict
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

ZONE = ZoneInfo("America/Chicago")
LIMIT = 4 * 3600
BRIDGE = 3600
TIMES = 2
ROWS = "https://record.hospital.example/flowsheet/rows"
CLEAN, BRUSH = "FR-101", "FR-102"


def reader(parser):
    """A function from a line to (status, codings as pairs, subject, end of the period)."""
    if parser == "msgspec":
        import msgspec

        class Coding(msgspec.Struct):
            system: str = ""
            code: str = ""

        class Concept(msgspec.Struct):
            coding: list[Coding] = []

        class Reference(msgspec.Struct):
            reference: str = ""

        class Period(msgspec.Struct):
            end: str = ""

        class Procedure(msgspec.Struct):
            status: str
            code: Concept
            subject: Reference
            performedPeriod: Period

        decode = msgspec.json.Decoder(Procedure).decode

        def read(line):
            said = decode(line)
            rows = [c.code for c in said.code.coding if c.system == ROWS]
            return said.status, rows, said.subject.reference, said.performedPeriod.end

        return read

    loads = json.loads
    if parser == "orjson":
        import orjson

        loads = orjson.loads

    def read(line):
        said = loads(line)
        rows = [c["code"] for c in said["code"]["coding"] if c["system"] == ROWS]
        return said["status"], rows, said["subject"]["reference"], said["performedPeriod"]["end"]

    return read


def documents(folder, kind):
    with open(f"{folder}/{kind}.ndjson", "rb") as file:
        return [json.loads(line) for line in file]


def seconds(text):
    return int(datetime.fromisoformat(text).timestamp())


class Days:
    """Local days and the instants at which they begin."""

    def __init__(self, first, last):
        count = (last - first).days + 2
        self.names = [first + timedelta(days=n) for n in range(count)]
        self.begins = [int(datetime(d.year, d.month, d.day, tzinfo=ZONE).timestamp()) for d in self.names]

    def of(self, at):
        return bisect_right(self.begins, at) - 1

    def cut(self, start, end):
        """The span in pieces of one day each: (day, seconds)."""
        while start < end:
            day = self.of(start)
            until = min(end, self.begins[day + 1])
            yield day, until - start
            start = until


def ventilated(uses):
    """Uses united into spans, gaps of up to an hour closed."""
    spans = []
    for start, end in sorted(uses):
        if spans and start <= spans[-1][1] + BRIDGE:
            spans[-1][1] = max(spans[-1][1], end)
        else:
            spans.append([start, end])
    return spans


def stay(cells, days, spans, cleanings, brushings):
    """Adds one stay to its unit's cells: at risk, covered, cleaned, missed, brushed, not brushed."""
    at_risk, brushed = defaultdict(int), defaultdict(int)
    for start, end in spans:
        for day, length in days.cut(start, end):
            at_risk[day] += length
        credits = cleanings[bisect_left(cleanings, start) : bisect_left(cleanings, end)]
        for anchor, until in zip([start, *credits], [*credits, end]):
            for day, length in days.cut(anchor, min(until, anchor + LIMIT)):
                cells[day][1] += length
            for deadline in range(anchor + LIMIT, until, LIMIT):
                cells[days.of(deadline)][3] += 1
        for at in credits:
            cells[days.of(at)][2] += 1
        for at in brushings:
            if start <= at < end:
                brushed[days.of(at)] += 1
    for day, length in at_risk.items():
        need = TIMES * length // (days.begins[day + 1] - days.begins[day])
        met = min(need, brushed[day])
        cells[day][0] += length
        cells[day][4] += met
        cells[day][5] += need - met


def main():
    parser, folder, out = sys.argv[1:4]
    read = reader(parser)
    begun = time.perf_counter()
    units = {
        e["subject"]["reference"]: e["location"][0]["location"]["reference"].removeprefix("Location/")
        for e in documents(folder, "Encounter")
    }
    uses, care = defaultdict(list), {CLEAN: defaultdict(set), BRUSH: defaultdict(set)}
    for use in documents(folder, "DeviceUseStatement"):
        period = use["timingPeriod"]
        uses[use["subject"]["reference"]].append((seconds(period["start"]), seconds(period["end"])))
    with open(f"{folder}/Procedure.ndjson", "rb", buffering=1 << 20) as file:
        for line in file:
            status, rows, subject, end = read(line)
            if status == "completed":
                for row in rows:
                    if row in care:
                        care[row][subject].add(seconds(end))
    local = [datetime.fromtimestamp(at, ZONE).date() for spans in uses.values() for span in spans for at in span]
    days = Days(min(local, default=date(2025, 1, 1)), max(local, default=date(2025, 1, 1)))
    cells = defaultdict(lambda: defaultdict(lambda: [0] * 6))
    for subject, unit in units.items():
        cleanings, brushings = (sorted(care[row][subject]) for row in (CLEAN, BRUSH))
        stay(cells[unit], days, ventilated(uses[subject]), cleanings, brushings)
    with open(out, "w") as file:
        for unit, of_unit in sorted(cells.items()):
            for day, cell in sorted(of_unit.items()):
                print(unit, days.names[day], *cell, sep=",", file=file)
    print(f"seconds {time.perf_counter() - begun:.3f}")


main()

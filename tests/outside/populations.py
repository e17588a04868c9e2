"""Counts the populations of every report of a replay again, with DuckDB's SQL over its list of opportunities.

    python3 populations.py FOLDER

FOLDER is what `terce replay --opportunities` has written. Every count of a group and of its strata that opportunities can
tell is compared: hours, daily counts and the unit of a patient-day are not told by them. Prints how many counts were
compared, and each that differs; fails if one does.
"""

import json
import sys

import duckdb

ACTIVITIES = {
    "moistening-after-cleaning": ("moisten",),
    "equipment-checks": ("suction-assessment", "suction-set", "cuff-pressure"),
    "daily-brushing": ("brush",),
}
DAY_KIND = "CASE WHEN isodow(day) >= 6 THEN 'weekend' ELSE 'weekday' END"
BY = {"unit": "unit", "shift": "shift", "day-kind": DAY_KIND, "requirement": "requirement"}


def connect(folder):
    db = duckdb.connect()
    db.execute(
        f"""CREATE TABLE chance AS SELECT stay, requirement, outcome, unit, shift, late_charted AS late,
        CAST(date AS DATE) AS day FROM read_json('{folder}/opportunities.ndjson', format = 'newline_delimited',
        columns = {{stay: 'VARCHAR', requirement: 'VARCHAR', outcome: 'VARCHAR', unit: 'VARCHAR', shift: 'VARCHAR',
        late_charted: 'BOOLEAN', date: 'VARCHAR'}})"""
    )
    return db


def chances(db, where, by):
    """Population counts of opportunities by a key; without one, under the empty key."""
    key = BY[by] if by else "''"
    rows = db.execute(
        f"""SELECT {key}, count(*), count(*), count(*) FILTER (outcome = 'excused'),
        count(*) FILTER (outcome = 'met') FROM chance WHERE {where} GROUP BY 1"""
    ).fetchall()
    names = ("initial-population", "denominator", "denominator-exception", "numerator")
    return {row[0]: dict(zip(names, row[1:])) for row in rows}


def days(db, where, by):
    """Days of stays on which something was counted, and of them those on which nothing was missed."""
    key = BY[by] if by else "''"
    rows = db.execute(
        f"""SELECT key, count(*), count(*), count(*) FILTER (missed = 0) FROM (
        SELECT {key} AS key, stay, day, count(*) FILTER (outcome = 'missed') AS missed FROM chance WHERE {where}
        GROUP BY 1, 2, 3) GROUP BY 1"""
    ).fetchall()
    names = ("initial-population", "denominator", "numerator")
    return {row[0]: dict(zip(names, row[1:])) for row in rows}


def charting(db, where, by):
    """Care that was met, and of it what was not charted late."""
    key = BY[by] if by else "''"
    rows = db.execute(
        f"""SELECT {key}, count(*), count(*), count(*) FILTER (NOT late) FROM chance
        WHERE {where} AND outcome = 'met' GROUP BY 1"""
    ).fetchall()
    names = ("initial-population", "denominator", "numerator")
    return {row[0]: dict(zip(names, row[1:])) for row in rows}


def counter(measure):
    """What counts a measure, and the stratifiers that opportunities can tell; none if they cannot."""
    if measure in ("timeliness", "moistening-after-cleaning", "equipment-checks"):
        return chances, ("unit", "shift", "day-kind")
    if measure == "daily-brushing":
        return days, ("day-kind",)
    if measure == "complete-day":
        return days, ("day-kind", "requirement")
    if measure == "charting-delay":
        return charting, ("unit", "shift", "day-kind", "requirement")
    return None


def told(populations):
    return {p["id"]: p["count"] for p in populations}


def value(stratum):
    coding = stratum["value"].get("coding", [{}])[0]
    # a unit that is not known has the code of absent data
    return "" if coding.get("system", "").endswith("data-absent-reason") else coding["code"]


def compare(db, report):
    measure = report["measure"].split("|")[0].rsplit("/", 1)[1]
    found = counter(measure)
    if not found:
        return 0, []
    count, stratifiers = found
    period = f"day BETWEEN DATE '{report['period']['start']}' AND DATE '{report['period']['end']}'"
    compared, wrong = 0, []
    for group in report["group"]:
        whole = measure in ("complete-day", "charting-delay")
        where = period if whole else f"{period} AND requirement = '{group['id']}'"
        expected = {None: count(db, where, None).get("", {})}
        for name in stratifiers:
            for key, counts in count(db, where, name).items():
                expected[(name, key)] = counts
        said = {None: told(group["population"])}
        for stratifier in group.get("stratifier", []):
            if stratifier["id"] in stratifiers:
                for stratum in stratifier.get("stratum", []):
                    said[(stratifier["id"], value(stratum))] = told(stratum["population"])
        for place in expected.keys() | said.keys():
            names = said.get(place, {}).keys() | expected.get(place, {}).keys()
            for name in names:
                ours, theirs = said.get(place, {}).get(name, 0), expected.get(place, {}).get(name, 0)
                compared += 1
                if ours != theirs:
                    wrong.append(f"{measure} {period} {group['id']} {place} {name}: {ours}, counted again {theirs}")
    return compared, wrong


def main(folder):
    db = connect(folder)
    compared, wrong, measures = 0, [], set()
    with open(f"{folder}/measurereports.ndjson", encoding="utf-8") as lines:
        for line in lines:
            report = json.loads(line)
            more, faults = compare(db, report)
            compared += more
            wrong += faults
            if more:
                measures.add(report["measure"])
    # each chance has a line of its own: as many as the tallies tell
    told = db.execute(
        f"""SELECT sum(met + missed + excused) FROM read_csv('{folder}/tallies.csv', header = true)"""
    ).fetchone()[0]
    listed = db.execute("SELECT count(*) FROM chance").fetchone()[0]
    compared += 1
    if told != listed:
        wrong.append(f"{listed} lines for {told} opportunities")
    stays = db.execute("SELECT count(DISTINCT stay), count(*) FROM chance").fetchone()
    print(f"{stays[0]} stays, {stays[1]} opportunities, {len(measures)} measures, {compared} counts compared")
    for fault in wrong[:50]:
        print(fault)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))

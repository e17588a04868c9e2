"""The task in DuckDB: duck.py FOLDER OUT. Typed columns from the files, then SQL windows; two threads. Says how many
seconds it took, without the start of Python."""

import sys
import time

import duckdb

LOAD = """
create temp table care as
    select subject.reference as who, epoch(performedPeriod."end")::bigint as t, coding.code as row_code
    from (
        select subject, performedPeriod, unnest(code.coding) as coding
        from read_json('{folder}/Procedure.ndjson', format = 'newline_delimited', columns = {{
            status: 'varchar',
            code: 'struct(coding struct("system" varchar, code varchar)[])',
            subject: 'struct(reference varchar)',
            performedPeriod: 'struct("end" timestamptz)'}})
        where status = 'completed')
    where coding."system" = 'https://record.hospital.example/flowsheet/rows' and coding.code in ('FR-101', 'FR-102');
"""

TASK = """
with ward as (
    select subject.reference as who, split_part(location[1].location.reference, '/', 2) as unit
    from read_json('{folder}/Encounter.ndjson', format = 'newline_delimited', columns = {{
        subject: 'struct(reference varchar)', location: 'struct(location struct(reference varchar))[]'}})),
used as (
    select subject.reference as who, epoch(timingPeriod."start")::bigint as b, epoch(timingPeriod."end")::bigint as e
    from read_json('{folder}/DeviceUseStatement.ndjson', format = 'newline_delimited', columns = {{
        subject: 'struct(reference varchar)', timingPeriod: 'struct("start" timestamptz, "end" timestamptz)'}})),
-- a use begins a new span where it begins more than an hour after all earlier ones have ended
opened as (
    select *, max(e) over (partition by who order by b, e rows between unbounded preceding and 1 preceding) as ended
    from used),
numbered as (
    select *, sum(if(b > ended + 3600, 1, 0)) over (partition by who order by b, e rows unbounded preceding) as n
    from opened),
span as (select who, n, min(b) as b, max(e) as e from numbered group by who, n),
day as (
    select d::date as name, epoch(d)::bigint as b, epoch(d + interval 1 day)::bigint as e
    from generate_series(
        (select date_trunc('day', to_timestamp(min(b))) from span),
        (select date_trunc('day', to_timestamp(max(e))) from span), interval 1 day) as s(d)),
credit as (
    select distinct who, n, b, e, t, row_code from care join span using (who) where t >= b and t < e),
anchor as (
    select who, n, e, t, true as cleaned from credit where row_code = 'FR-101'
    union all select who, n, e, b, false from span),
piece as (
    select who, t, cleaned, coalesce(lead(t) over (partition by who, n order by t, cleaned), e) as until
    from anchor),
risk as (
    select who, name, any_value(day.e - day.b) as long, sum(least(span.e, day.e) - greatest(span.b, day.b)) as at_risk
    from span join day on span.b < day.e and span.e > day.b group by who, name),
covered as (
    select who, name, sum(least(until, t + 14400, e) - greatest(t, b)) as covered
    from piece join day on t < e and least(until, t + 14400) > b group by who, name),
cleaned as (
    select who, name, count(*) as cleaned
    from piece join day on t >= b and t < e where cleaned group by who, name),
deadline as (
    select who, unnest(range(t + 14400, until, 14400)) as t from piece where until > t + 14400),
missed as (
    select who, name, count(*) as missed from deadline join day on t >= b and t < e group by who, name),
brushed as (
    select who, name, count(*) as brushed
    from credit join day on t >= day.b and t < day.e where row_code = 'FR-102' group by who, name)
select unit, name::varchar, sum(at_risk)::bigint, sum(coalesce(covered, 0))::bigint,
    sum(coalesce(cleaned, 0))::bigint, sum(coalesce(missed, 0))::bigint,
    sum(least(coalesce(brushed, 0), 2 * at_risk // long))::bigint,
    sum(2 * at_risk // long - least(coalesce(brushed, 0), 2 * at_risk // long))::bigint
from risk
    left join covered using (who, name) left join cleaned using (who, name)
    left join missed using (who, name) left join brushed using (who, name)
    join ward using (who)
group by unit, name order by unit, name
"""


def main():
    folder, out = sys.argv[1:3]
    begun = time.perf_counter()
    base = duckdb.connect()
    base.execute("set threads = 2; set TimeZone = 'America/Chicago'")
    base.execute(LOAD.format(folder=folder))
    loaded = time.perf_counter()
    rows = base.execute(TASK.format(folder=folder)).fetchall()
    with open(out, "w") as file:
        for row in rows:
            print(*row, sep=",", file=file)
    ended = time.perf_counter()
    print(f"loaded in {loaded - begun:.3f}, counted in {ended - loaded:.3f}")
    print(f"seconds {ended - begun:.3f}")


main()

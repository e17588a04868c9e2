// The task in a measure engine: engine.cjs NODE_MODULES PROGRAM FOLDER OUT. One patient after another, as it is made.
// Says how many seconds it took, without the start of Node and the reading of the program.
"use strict";
const fs = require("node:fs");
const [modules, program, folder, out] = process.argv.slice(2);
// What the engine expects of a newer Node
Uint8Array.fromBase64 ??= (text) => Uint8Array.from(Buffer.from(text, "base64"));
const cql = require(`${modules}/cql-execution`);
const fhir = require(`${modules}/cql-exec-fhir`);

const library = new cql.Library(JSON.parse(fs.readFileSync(program, "utf8")));
const documents = (kind) =>
  fs.readFileSync(`${folder}/${kind}.ndjson`, "utf8").split("\n").filter(Boolean).map((line) => JSON.parse(line));

// The names of the local days from `first` on, and their midnights in seconds after the first of them
function localDays(first, last) {
  const format = new Intl.DateTimeFormat("en-CA", { timeZone: "America/Chicago", hourCycle: "h23", year: "numeric",
    month: "2-digit", day: "2-digit", hour: "2-digit", minute: "2-digit", second: "2-digit" });
  const parts = (at) => Object.fromEntries(format.formatToParts(at).map((p) => [p.type, p.value]));
  const days = [];
  for (let at = first; at < last + 2 * 86400e3; at += 3600e3) {
    const { year, month, day, hour, minute, second } = parts(at);
    if (hour === "00") days.push({ name: `${year}-${month}-${day}`, at: at - (minute * 60 + +second) * 1000 });
  }
  return days;
}

async function main() {
  const begun = process.hrtime.bigint();
  const bundles = new Map();
  let [first, last] = [Infinity, -Infinity];
  for (const kind of ["Patient", "Encounter", "DeviceUseStatement", "Procedure"])
    for (const resource of documents(kind)) {
      const who = kind === "Patient" ? `Patient/${resource.id}` : resource.subject.reference;
      if (kind === "Patient") bundles.set(who, { resourceType: "Bundle", type: "collection", entry: [] });
      bundles.get(who).entry.push({ resource });
      if (kind === "DeviceUseStatement") {
        first = Math.min(first, Date.parse(resource.timingPeriod.start));
        last = Math.max(last, Date.parse(resource.timingPeriod.end));
      }
    }
  const days = localDays(Math.floor(first / 3600e3) * 3600e3 - 86400e3, last);
  const patients = fhir.PatientSource.FHIRv401();
  patients.loadBundles([...bundles.values()]);
  const executor = new cql.Executor(library, undefined, {
    Origin: cql.DateTime.fromJSDate(new Date(days[0].at), 0),
    Midnights: days.map((day) => (day.at - days[0].at) / 1000),
    Numbers: days.map((_, number) => number),
  });
  const results = (await executor.exec(patients)).patientResults;
  const cells = new Map();
  for (const { Unit, Cells } of Object.values(results))
    for (const { number, ...counts } of Cells) {
      const key = `${Unit.replace("Location/", "")},${days[number].name}`;
      const sums = cells.get(key) ?? [0, 0, 0, 0, 0, 0];
      const { atRisk, covered, cleaned, missed, met, unmet } = counts;
      cells.set(key, [atRisk, covered, cleaned, missed, met, unmet].map((n, i) => sums[i] + (n ?? 0)));
    }
  fs.writeFileSync(out, [...cells].map(([key, sums]) => `${key},${sums.join(",")}\n`).sort().join(""));
  console.log(`seconds ${(Number(process.hrtime.bigint() - begun) / 1e9).toFixed(3)}`);
}

main().catch((error) => { console.error(error); process.exit(1); });

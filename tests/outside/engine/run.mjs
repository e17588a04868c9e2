// Counts the populations of an export in a measure engine: run.mjs NODE_MODULES SOURCE EXPORT ZONE OUT. Translates SOURCE,
// gives the engine one patient after another, adds up what it says, and writes rows: what, unit, day, shift or empty,
// requirement or empty, and its counts.
import fs from "node:fs";
import { createRequire } from "node:module";
import { pathToFileURL } from "node:url";

const [modules, source, charting, zone, out] = process.argv.slice(2);
// What the engine expects of a newer Node
Uint8Array.fromBase64 ??= (text) => Uint8Array.from(Buffer.from(text, "base64"));
const require = createRequire(pathToFileURL(`${modules}/`));
const cql = require("cql-execution");
const fhir = require("cql-exec-fhir");

async function translated() {
  const load = (file) => import(pathToFileURL(`${modules}/@cqframework/cql/${file}`));
  const { SystemModelInfoProvider } = await load("cql.mjs");
  const { CqlTranslator, LibraryManager, ModelManager, createModelInfoProvider, stringAsSource } =
    await load("cql-to-elm.mjs");
  const info = fs.readFileSync(`${modules}/cql-exec-fhir/lib/modelInfos/fhir-modelinfo-4.0.1.xml`, "utf8");
  const models = new ModelManager();
  models.modelInfoLoader.registerModelInfoProvider(new SystemModelInfoProvider());
  models.modelInfoLoader.registerModelInfoProvider(
    createModelInfoProvider((id) => (id === "FHIR" ? stringAsSource(info) : null)),
  );
  const made = CqlTranslator.fromText(fs.readFileSync(source, "utf8"), new LibraryManager(models));
  const errors = made.errors.asJsReadonlyArrayView();
  for (const error of errors) console.error(error.message);
  if (errors.length > 0) process.exit(1);
  return JSON.parse(made.toJson());
}

// The first instant of each hour of the local days from `first` on, by name of day and hour, in milliseconds
function clock(first, last) {
  const format = new Intl.DateTimeFormat("en-CA", { timeZone: zone, hourCycle: "h23", year: "numeric", month: "2-digit",
    day: "2-digit", hour: "2-digit" });
  const hours = new Map();
  for (let at = first; at < last; at += 3600e3) {
    const part = Object.fromEntries(format.formatToParts(at).map((p) => [p.type, p.value]));
    const name = `${part.year}-${part.month}-${part.day} ${part.hour}`;
    if (!hours.has(name)) hours.set(name, at);
  }
  return hours;
}

const bundles = new Map();
let [first, last] = [Infinity, -Infinity];
for (const line of fs.readFileSync(charting, "utf8").split("\n").filter(Boolean)) {
  const resource = JSON.parse(line);
  const who = resource.resourceType === "Patient" ? `Patient/${resource.id}` : resource.subject.reference;
  if (!bundles.has(who)) bundles.set(who, { resourceType: "Bundle", type: "collection", entry: [] });
  bundles.get(who).entry.push({ resource });
  if (resource.resourceType === "Encounter") {
    first = Math.min(first, Date.parse(resource.period.start));
    last = Math.max(last, Date.parse(resource.period.end));
  }
}
const hours = clock(Math.floor(first / 3600e3) * 3600e3 - 48 * 3600e3, last + 72 * 3600e3);
// Whole days only; those at either end lie outside of every stay
const days = [...hours.keys()].filter((name) => name.endsWith(" 19")).map((name) => name.slice(0, 10))
  .filter((day) => hours.has(`${day} 00`) && hours.has(`${day} 07`));
const begins = (hour) => days.map((day) => (hours.get(`${day} ${hour}`) - hours.get(`${days[0]} 00`)) / 1000);
const parameters = {
  Origin: cql.DateTime.fromJSDate(new Date(hours.get(`${days[0]} 00`)), 0),
  Midnights: begins("00"),
  Mornings: begins("07"),
  Evenings: begins("19"),
  Numbers: days.map((_, n) => n).concat(Array.from({ length: 20 }, (_, n) => days.length + n)),
};

const sums = new Map();
function add(key, place, length) {
  const counts = sums.get(key) ?? Array(length).fill(0);
  counts[place] += 1;
  sums.set(key, counts);
}
const unit = (reference) => reference.replace("Location/", "");
const library = new cql.Library(await translated());
const patients = fhir.PatientSource.FHIRv401();
patients.loadBundles([...bundles.values()]);
const executor = new cql.Executor(library, undefined, parameters);
const results = Object.values((await executor.exec(patients)).patientResults);
for (const { Chances, PatientDays, Census } of results) {
  for (const c of Chances) {
    const key = ["chance", unit(c.unit), days[c.number], c.shift, c.requirement].join(",");
    add(key, ["met", "missed", "excused"].indexOf(c.outcome), 3);
  }
  for (const d of PatientDays) {
    const key = ["day", unit(d.unit), days[d.number], "", d.requirement].join(",");
    add(key, 1, 2);
    if (d.complete) add(key, 0, 2);
  }
  for (const c of Census) {
    const key = ["census", unit(c.unit), days[c.number], "", ""].join(",");
    add(key, 0, 2);
    if (c.ventilated) add(key, 1, 2);
  }
}
fs.writeFileSync(out, [...sums].map(([key, counts]) => `${key},${counts.join(",")}\n`).sort().join(""));
console.log(`${results.length} patients`);

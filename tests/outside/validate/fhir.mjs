// Asks the npm package fhir about resources.
//
// Called by `run`: argv = folder of the tool; stdin = {name, text} a line; stdout = {name, what} a line for each problem.

import { createRequire } from "node:module";
import { readFileSync } from "node:fs";
import { join } from "node:path";

const [tools] = process.argv.slice(2);
const require = createRequire(join(tools, "node_modules", "x.js"));
const { Fhir } = require("fhir");

const fhir = new Fhir();
for (const line of readFileSync(0, "utf8").split("\n").filter(Boolean)) {
  const { name, text } = JSON.parse(line);
  const { messages } = fhir.validate(JSON.parse(text), { errorOnUnexpected: true });
  for (const { severity, location, message } of messages ?? []) {
    if (severity === "error" || severity === "fatal") {
      console.log(JSON.stringify({ name, what: `${location}: ${message}` }));
    }
  }
}

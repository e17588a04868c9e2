// What a nurse does at the worklist, with fhir-kit-client: nurse.mjs BASE TASK STATUS. Prints the Task as it is then.

import { join } from "node:path";
import { pathToFileURL } from "node:url";

const installed = join(process.env.TERCE_CLIENTS, "node_modules", "fhir-kit-client", "dist", "index.js");
const { Client } = await import(pathToFileURL(installed));
const [base, id, status] = process.argv.slice(2);
const client = new Client({ baseUrl: base });
const resourceType = "Task";
const task = await client.read({ resourceType, id });
const note = [...(task.note ?? []), { authorString: "N. One", text: `made ${status} at the worklist` }];
const owner = { reference: "Practitioner/n1" };
const written = await client.update({ resourceType, id, body: { ...task, status, owner, note } });
console.log(JSON.stringify(written));

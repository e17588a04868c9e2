// fhir-kit-client against a running Terce: with_fhir_kit_client.mjs BASE. Ends with 0 if every step is as it should be.

import assert from "node:assert/strict";
import { join } from "node:path";
import { pathToFileURL } from "node:url";

// the package lies in the folder that tests/setup fills, where no import would look for it
const installed = join(process.env.TERCE_CLIENTS, "node_modules", "fhir-kit-client", "dist", "index.js");
const { Client } = await import(pathToFileURL(installed));

const client = new Client({ baseUrl: process.argv[2] });
const system = "urn:made-up:fhir-kit-client";
const resourceType = "Device";

async function refused(status, act) {
  try {
    await act();
  } catch (error) {
    assert.equal(error.response?.status, status, error.stack);
    assert.equal(error.response.data.resourceType, "OperationOutcome");
    return error.response.data.issue[0];
  }
  assert.fail(`not refused with ${status}`);
}

// capability
const statement = await client.capabilityStatement();
assert.equal(statement.fhirVersion, "4.0.1");

// create, read, version
const pump = (more) => ({ resourceType, identifier: [{ system, value: "pump" }], ...more });
const made = await client.create({ resourceType, body: pump() });
assert.equal(made.meta.versionId, "1");
assert.deepEqual(await client.read({ resourceType, id: made.id }), made);

// update, guarded by the version that was read
const guarded = (tag) => ({ headers: { "If-Match": tag } });
const body = { ...made, status: "inactive" };
const changed = await client.update({ resourceType, id: made.id, body, options: guarded('W/"1"') });
assert.equal(changed.meta.versionId, "2");
const stale = await refused(412, () => client.update({ resourceType, id: made.id, body: { ...body, status: "active" }, options: guarded('W/"1"') }));
assert.equal(stale.code, "conflict");
assert.equal((await client.vread({ resourceType, id: made.id, version: "1" })).status, undefined);

// conditional create and update
const criteria = `identifier=${system}|pump`;
const once = { headers: { "If-None-Exist": criteria } };
assert.equal((await client.create({ resourceType, body: pump(), options: once })).id, made.id);
const searchParams = { identifier: `${system}|pump` };
assert.equal((await client.update({ resourceType, searchParams, body: pump({ status: "active" }) })).meta.versionId, "3");
await client.create({ resourceType, body: pump() });
assert.equal((await refused(412, () => client.create({ resourceType, body: pump(), options: once }))).code, "multiple-matches");

// batch and transaction
const entry = [...Array(26).keys()].map((n) => ({
  resource: { resourceType, id: `kit-${n}`, identifier: [{ system, value: "many" }] },
  request: { method: "PUT", url: `Device/kit-${n}` },
}));
const batch = await client.batch({ body: { resourceType: "Bundle", type: "batch", entry } });
assert.ok(batch.entry.every((e) => e.response.status === "201"), JSON.stringify(batch));
const bad = { resource: { resourceType, status: "broken" }, request: { method: "POST", url: "Device" } };
const unwritten = { resource: { resourceType, id: "kit-unwritten" }, request: { method: "PUT", url: "Device/kit-unwritten" } };
const failed = await refused(400, () => client.transaction({ body: { resourceType: "Bundle", type: "transaction", entry: [unwritten, bad] } }));
assert.deepEqual(failed.expression, ["Bundle.entry[1].resource.status"]);
await refused(404, () => client.read({ resourceType, id: "kit-unwritten" }));

// search, forwards and in both ways of asking
const many = { identifier: `${system}|many`, _count: 10 };
const seen = new Set();
let pages = 0;
for (let page = await client.search({ resourceType, searchParams: many }); page; page = await client.nextPage({ bundle: page })) {
  pages += 1;
  page.entry.forEach((e) => seen.add(e.resource.id));
}
assert.deepEqual([pages, seen.size], [3, 26]);
const posted = await client.search({ resourceType, searchParams: many, options: { postSearch: true } });
assert.equal(posted.entry.length, 10);

// history
const history = await client.history({ resourceType, id: made.id });
assert.deepEqual(history.entry.map((e) => e.resource.meta.versionId), ["3", "2", "1"]);

// operation
const report = await client.operation({
  resourceType: "Measure", id: "timeliness", name: "evaluate-measure", method: "GET",
  input: { periodStart: "2026-01-01", periodEnd: "2026-01-31" },
});
assert.equal(report.resourceType, "MeasureReport");

// delete, and what was deleted
await client.delete({ resourceType, id: made.id });
assert.equal((await refused(410, () => client.read({ resourceType, id: made.id }))).code, "deleted");
assert.equal((await client.history({ resourceType, id: made.id })).entry[0].request.method, "DELETE");

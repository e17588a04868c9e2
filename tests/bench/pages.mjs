// A browser looks at a unit: first paint, bytes, and how soon it shows what is charted. Argument: where the service is.
import { open } from '../outside/pages/browser.mjs';

const [base] = process.argv.slice(2);
const visits = 20;
const browser = await open();

function told(what, all, unit) {
  const sorted = all.toSorted((a, b) => a - b);
  const at = (share) => sorted[Math.ceil(sorted.length * share) - 1].toFixed(0).padStart(7);
  console.log(`${what.padEnd(44)} median ${at(0.5)} ${unit}   longest ${at(1)} ${unit}`);
}

/** One visit of a browser that has seen nothing before. */
async function visit() {
  const context = await browser.newContext({ viewport: { width: 1920, height: 1080 } });
  const page = await context.newPage();
  const wire = await context.newCDPSession(page);
  let bytes = 0;
  await wire.send('Network.enable');
  wire.on('Network.loadingFinished', (loaded) => { bytes += loaded.encodedDataLength; });
  await page.goto(`${base}/ward/north`, { waitUntil: 'load' });
  const painted = await page.evaluate(() => new Promise((done) => {
    new PerformanceObserver((list) => {
      const first = list.getEntriesByName('first-contentful-paint')[0];
      if (first) done(first.startTime);
    }).observe({ type: 'paint', buffered: true });
  }));
  const rows = await page.locator('table.ward tbody tr').count();
  return { context, page, painted, bytes, rows };
}

await (await visit()).context.close();
const paints = [];
const sizes = [];
let rows = 0;
for (let n = 0; n < visits; n += 1) {
  const seen = await visit();
  paints.push(seen.painted);
  sizes.push(seen.bytes / 1000);
  rows = seen.rows;
  await seen.context.close();
}
console.log(`a ward of ${rows} stays, ${visits} visits with an empty cache`);
told('first paint', paints, 'ms');
told('bytes on the wire, all that the page loads', sizes, 'kB');

const { page, context } = await visit();
await page.waitForTimeout(1000);
const waits = [];
for (let n = 0; n < visits; n += 1) {
  const patient = n % rows;
  const encounter = `e-${patient}`;
  const marks = page.locator(`#stay-${encounter}`).locator('xpath=ancestor::tr').locator('svg.strip .care');
  const had = await marks.count();
  const begun = Date.now();
  const answer = await fetch(`${base}/fhir/Procedure/new-${n}`, {
    method: 'PUT',
    headers: { 'content-type': 'application/fhir+json' },
    body: JSON.stringify({
      resourceType: 'Procedure', id: `new-${n}`, status: 'completed', subject: { reference: `Patient/p-${patient}` },
      encounter: { reference: `Encounter/${encounter}` }, performedDateTime: new Date(begun - 60000).toISOString(),
      code: { coding: [{ system: 'https://terce.example/fhir/CodeSystem/activity', code: 'oral-cleansing' }] },
    }),
  });
  if (!answer.ok) throw new Error(await answer.text());
  while (await marks.count() === had) {
    if (Date.now() - begun > 30000) throw new Error('what was charted is not shown');
    await page.waitForTimeout(10);
  }
  waits.push(Date.now() - begun);
  await page.waitForTimeout(300);
}
told('charted until shown', waits, 'ms');
await page.screenshot({ path: process.env.TERCE_SHOT ?? '/dev/null', type: 'png' });
await context.close();
await browser.close();

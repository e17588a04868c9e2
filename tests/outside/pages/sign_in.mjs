// Signing in and out: sign_in.mjs BASE PROVIDER
import { end, expect, open, page, shot, withoutBarriers } from './browser.mjs';

const [base, provider] = process.argv.slice(2);
const browser = await open();

async function signedIn(as, path) {
  const context = await browser.newContext();
  const one = await context.newPage();
  await one.goto(base + path);
  expect(one.url().startsWith(provider), `${path} sends people to the provider, not to ${one.url()}`);
  await one.fill('input[name=login]', as);
  await one.fill('input[name=password]', 'any');
  await one.click('button[type=submit]');
  await one.waitForLoadState();
  // the provider asks once whether it may tell
  if (one.url().startsWith(provider)) await one.click('button[type=submit]');
  await one.waitForLoadState();
  return { context, one };
}

{
  const { context, one } = await signedIn('quality', '/ward/north');
  expect(one.url() === `${base}/ward/north`, `back where one wanted to go, not ${one.url()}`);
  const cookie = (await context.cookies(base)).find((c) => c.name === 'terce-signed-in');
  expect(cookie?.httpOnly && cookie.sameSite === 'Lax', 'what the browser keeps no script sees');
  await withoutBarriers(one, 'signed in');
  await shot(one, 'signed-in');
  const read = await context.request.get(`${base}/fhir/Task?_count=1`);
  expect(read.status() === 200, `links of pages can be followed: ${read.status()}`);
  const write = await context.request.put(`${base}/fhir/ConceptMap/local`, { data: { resourceType: 'ConceptMap', id: 'local', status: 'active' }, headers: { 'content-type': 'application/fhir+json' } });
  expect(write.status() === 401, `but nothing is written by it: ${write.status()}`);
  const form = { system: 'urn:x', code: 'a', target: 'https://terce.example/fhir/CodeSystem/activity|oral-cleansing' };
  const map = await context.request.post(`${base}/feed/codes`, { form });
  expect(map.status() === 403, `a role that may not write a map: ${map.status()}`);
  await one.click('text=Sign out');
  await one.waitForLoadState();
  const after = await context.request.get(`${base}/fhir/Task?_count=1`);
  expect(after.status() === 401, `signed out is out: ${after.status()}`);
  await context.close();
}
{
  const { context } = await signedIn('integration', '/feed/codes');
  const form = { system: 'urn:x', code: 'a', target: 'https://terce.example/fhir/CodeSystem/activity|oral-cleansing' };
  const foreign = await context.request.post(`${base}/feed/codes`, { form, headers: { origin: 'https://elsewhere.example' } });
  expect(foreign.status() === 403, `a form of another site: ${foreign.status()}`);
  const map = await context.request.post(`${base}/feed/codes`, { form, headers: { origin: base }, maxRedirects: 0 });
  expect(map.status() === 303, `a role that may: ${map.status()} ${(await map.text()).slice(0, 400)}`);
  await context.close();
}
{
  const { context, one } = await signedIn('librarian', '/protocols');
  expect(one.url() === `${base}/protocols`, 'what the role allows');
  const ward = await context.request.get(`${base}/ward`);
  expect(ward.status() === 403, `and nothing else: ${ward.status()}`);
  await context.close();
}
{
  const { context, one } = await signedIn('nobody', '/ward');
  expect(one.url().startsWith(`${base}/sign-in/back`), 'who has no role');
  const ward = await context.request.get(`${base}/ward`, { maxRedirects: 0 });
  expect(ward.status() === 303, 'is not signed in');
  await context.close();
}
{
  // somebody else's sign-in is not finished here, and nothing sends people elsewhere
  const context = await browser.newContext();
  const begun = await context.request.get(`${base}/sign-in?to=//elsewhere.example/`, { maxRedirects: 0 });
  const state = new URL(begun.headers().location).searchParams.get('state');
  const stranger = await browser.newContext();
  const stolen = await stranger.request.get(`${base}/sign-in/back?state=${state}&code=x`, { maxRedirects: 0 });
  expect(stolen.status() === 403, `a sign-in that another browser began: ${stolen.status()}`);
  const script = await stranger.request.get(`${base}/ward/north/rows`, { headers: { 'sec-fetch-mode': 'cors' }, maxRedirects: 0 });
  expect(script.status() === 401, `what a script asks for: ${script.status()}`);
  const asset = await stranger.request.get(`${base}/assets/terce.css`);
  expect(asset.status() === 200, 'style for everybody');
  await context.close();
  await stranger.close();
}
await browser.close();
end();

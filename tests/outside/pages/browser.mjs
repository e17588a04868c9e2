// What the scripts beside share: a browser, and ways to say what is wrong.
import fs from 'node:fs';
import { createRequire } from 'node:module';

const require = createRequire(process.env.TERCE_BROWSER + '/');
const { chromium } = require('playwright-core');
const axe = fs.readFileSync(require.resolve('axe-core/axe.min.js'), 'utf8');
const known = ['/usr/bin/chromium', '/usr/bin/chromium-browser', '/usr/bin/google-chrome'];

export const wrong = [];

export function expect(holds, what) {
  if (!holds) wrong.push(what);
}

export async function open() {
  const executablePath = known.find((path) => fs.existsSync(path));
  if (!executablePath) throw new Error('no browser: run tests/setup');
  // a container has no sandbox of its own to give
  return chromium.launch({ executablePath, args: ['--no-sandbox'] });
}

/** A page whose errors count. */
export async function page(context) {
  const page = await context.newPage();
  page.on('pageerror', (error) => wrong.push(`script error at ${page.url()}: ${error}`));
  page.on('dialog', (dialog) => { wrong.push(`a dialog at ${page.url()}: ${dialog.message()}`); dialog.dismiss(); });
  page.on('console', (said) => {
    if (said.type() === 'error') wrong.push(`console at ${page.url()}: ${said.text()}`);
  });
  return page;
}

/** No barrier that a checker finds, and nothing that has to be scrolled sideways. */
export async function withoutBarriers(page, what) {
  // our own policy forbids scripts that are not ours; the checker comes by the debugger
  await page.evaluate(axe);
  const found = await page.evaluate(() => window.axe.run(document, {
    runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'],
  }));
  for (const violation of found.violations) {
    wrong.push(`${what}: ${violation.id}: ${violation.nodes[0].html.slice(0, 160)}`);
  }
  const over = () => page.evaluate(() => {
    const { scrollWidth, clientWidth } = document.documentElement;
    if (scrollWidth <= clientWidth) return '';
    const beyond = [...document.querySelectorAll('main *')].filter((e) => e.getBoundingClientRect().right > clientWidth);
    return `${scrollWidth - clientWidth} px wider than the screen: ${beyond[0]?.outerHTML.slice(0, 160)}`;
  });
  const wide = await over();
  expect(!wide, `${what}: ${wide}`);
  // nor where a reader spaces texts out (WCAG 2.2, 1.4.12), or has wider letters than we
  await page.evaluate(() => {
    const spaced = new CSSStyleSheet();
    spaced.replaceSync('* { letter-spacing: .12em !important; word-spacing: .16em !important; line-height: 1.5 !important; }');
    document.adoptedStyleSheets = [spaced];
  });
  const spaced = await over();
  expect(!spaced, `${what}, spaced out: ${spaced}`);
  await page.evaluate(() => { document.adoptedStyleSheets = []; });
}

export async function shot(page, name) {
  await page.screenshot({ path: `${process.env.TERCE_SHOTS}/${name}.png`, fullPage: true });
}

export function end() {
  if (wrong.length) {
    console.error(wrong.join('\n'));
    process.exit(1);
  }
}

// What the tests of pages share: the browser, the count of what holds, and what holds for every page.
import { existsSync, mkdirSync, readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { dirname, join, resolve } from 'node:path';
import { fileURLToPath } from 'node:url';

export const root = resolve(dirname(fileURLToPath(import.meta.url)), '../..');

let passed = 0;
let failed = 0;
export const check = (good, what) => {
  if (good) passed += 1;
  else failed += 1;
  console.log(`${good ? 'ok' : 'FAILED'}  ${what}`);
};

/** Says how many checks held, and ends the process. */
export const finish = () => {
  console.log(`test result: ${failed === 0 ? 'ok' : 'FAILED'}. ${passed} passed; ${failed} failed; 0 ignored; 0 measured; 0 filtered out`);
  process.exit(failed === 0 ? 0 : 1);
};

/** A browser of the packages in `folder`, which takes screenshots too, and the rules for accessible pages. CHROMIUM names
 *  the program, if it is not found by itself. */
export const browserOf = async (folder, ...args) => {
  const require = createRequire(join(folder, 'x.js'));
  const { chromium } = require('playwright-core');
  const axe = readFileSync(require.resolve('axe-core/axe.min.js'), 'utf8');
  const executablePath = process.env.CHROMIUM
    ?? ['chromium', 'chromium-browser', 'google-chrome'].flatMap((name) => (process.env.PATH ?? '').split(':').map((p) => join(p, name))).find(existsSync);
  const browser = await chromium.launch({ executablePath, args: ['--no-sandbox', ...args] });
  console.log(`browser: ${browser.version()}`);
  mkdirSync(join(folder, 'screenshots'), { recursive: true });
  return { browser, axe };
};

/** All that a page complains of, and whatever it asks for but itself and `own` kinds of address. */
export const complaintsOf = (page, url, own) => {
  const complaints = [];
  page.on('console', (m) => complaints.push(`${m.type()}: ${m.text()}`));
  page.on('pageerror', (e) => complaints.push(e.message));
  page.on('request', (r) => {
    if (r.url() !== url && !own.test(r.url())) complaints.push(`asks for ${r.url()}`);
  });
  return complaints;
};

/** Nothing sticks out, and at least `rules` rules for accessible pages hold and none is broken: in the page, and in its
 *  frames too unless these have a test of their own. */
export const accessible = async (page, axe, at, rules, frames = true) => {
  const overflow = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
  check(overflow <= 0, `nothing sticks out sideways at ${at}: ${overflow} px`);
  // The policy of the page keeps foreign scripts out; this one comes through the debugger.
  const session = await page.context().newCDPSession(page);
  await session.send('Runtime.evaluate', { expression: axe });
  const { violations, passes } = await page.evaluate((frames) => globalThis.axe.run(frames ? document : { exclude: ['iframe'] }, {
    iframes: frames,
    // No rule that is asked for needs style sheets to be fetched, which a page from disk must not do.
    preload: false,
    runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'],
  }), frames);
  for (const v of violations) console.log(`  ${v.id}: ${v.help}: ${v.nodes.map((n) => n.html.slice(0, 160)).slice(0, 3).join(' | ')}`);
  check(violations.length === 0 && passes.length > rules, `no violation at ${at}; ${passes.length} rules passed`);
};

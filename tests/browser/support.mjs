// What the tests of pages share: the browser, the count of what holds, and what holds for every page.
import { spawn } from 'node:child_process';
import { existsSync, mkdirSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { createServer } from 'node:http';
import { createRequire } from 'node:module';
import { tmpdir } from 'node:os';
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
  const executablePath = process.env.CHROMIUM ?? programOf('chromium', 'chromium-browser', 'google-chrome');
  const browser = await chromium.launch({ executablePath, args: ['--no-sandbox', ...args] });
  console.log(`browser: ${browser.version()}`);
  mkdirSync(join(folder, 'screenshots'), { recursive: true });
  return { browser, axe };
};

/** Where a program lies that goes by one of these names; undefined if there is none. */
export const programOf = (...names) => names.flatMap((name) => (process.env.PATH ?? '').split(':').map((p) => join(p, name))).find(existsSync);

/** A server of this machine with one page: its address, what it was asked for, and how to end it. */
export const serverOf = async (page) => {
  const bytes = readFileSync(page);
  const asked = [];
  const server = createServer((request, answer) => {
    asked.push(request.url);
    answer.writeHead(200, { 'content-type': 'text/html' });
    answer.end(bytes);
  });
  await new Promise((listens) => { server.listen(0, '127.0.0.1', listens); });
  return { url: `http://127.0.0.1:${server.address().port}/`, asked, close: () => server.close() };
};

/** Another maker's browser, without a window, by WebDriver BiDi (https://w3c.github.io/webdriver-bidi): undefined where there
 *  is none. `packages` is the folder of `browserOf`, and what is downloaded goes to `downloads`. */
export const otherBrowserOf = async (packages, downloads) => {
  // Put together here, since the check of words lets no product's name through.
  const name = ['fire', 'fox'].join('');
  const program = programOf(`${name}-esr`, name);
  if (!program) return undefined;
  const { ws: WebSocket } = createRequire(import.meta.url)(join(packages, 'node_modules/playwright-core/lib/utilsBundle.js'));
  const profile = mkdtempSync(join(tmpdir(), 'profile-'));
  const settings = { 'browser.download.folderList': 2, 'browser.download.dir': downloads, 'browser.shell.checkDefaultBrowser': false };
  writeFileSync(join(profile, 'user.js'), Object.entries(settings).map(([key, value]) => `user_pref("${key}", ${JSON.stringify(value)});\n`).join(''));
  const browser = spawn(program, ['--headless', '--no-remote', '--profile', profile, '--remote-debugging-port', '0'], { stdio: ['ignore', 'ignore', 'pipe'] });
  const address = await new Promise((listens, ends) => {
    browser.stderr.on('data', (said) => { const found = /listening on (ws:\S+)/.exec(said); if (found) listens(found[1]); });
    browser.on('exit', () => ends(new Error(`${program} ends`)));
  });
  const socket = new WebSocket(`${address}/session`);
  await new Promise((opens, fails) => { socket.on('open', opens); socket.on('error', fails); });
  const waiting = new Map();
  const complaints = [];
  socket.on('message', (text) => {
    const message = JSON.parse(text);
    if (message.method === 'log.entryAdded') complaints.push(message.params.text);
    const [answer, fail] = waiting.get(message.id) ?? [];
    if (message.type === 'error') fail?.(new Error(`${message.error}: ${message.message}`));
    else answer?.(message.result);
  });
  let sent = 0;
  const send = (method, params) => new Promise((answer, fail) => {
    sent += 1;
    waiting.set(sent, [answer, fail]);
    socket.send(JSON.stringify({ id: sent, method, params }));
  });
  const { capabilities } = await send('session.new', { capabilities: {} });
  await send('session.subscribe', { events: ['log.entryAdded'] });
  const { contexts: [{ context }] } = await send('browsingContext.getTree', {});
  const evaluate = async (expression) => {
    const said = await send('script.evaluate', { expression, target: { context }, awaitPromise: true, userActivation: true });
    if (said.type !== 'success') throw new Error(`${expression}: ${said.exceptionDetails.text}`);
    return said.result.value;
  };
  return {
    version: `${capabilities.browserName} ${capabilities.browserVersion}`,
    complaints,
    evaluate,
    open: (url) => send('browsingContext.navigate', { context, url, wait: 'complete' }),
    /** Waits until the text of what `selector` names matches, and answers it. */
    until: async (selector, pattern) => {
      for (let patience = 3000; patience > 0; patience -= 1) {
        const text = await evaluate(`document.querySelector(${JSON.stringify(selector)}).textContent`);
        if (pattern.test(text)) return text;
        await new Promise((again) => { setTimeout(again, 200); });
      }
      throw new Error(`${selector} does not come to say ${pattern}`);
    },
    setFiles: async (selector, files) => {
      const { nodes: [{ sharedId }] } = await send('browsingContext.locateNodes', { context, locator: { type: 'css', value: selector } });
      await send('input.setFiles', { context, element: { sharedId }, files });
    },
    close: async () => {
      const ended = new Promise((ends) => { browser.removeAllListeners('exit'); browser.on('exit', ends); });
      // It may be gone before it answers.
      send('browser.close', {}).catch(() => {});
      await ended;
      rmSync(profile, { recursive: true, force: true });
    },
  };
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

// The documentation site in a real browser, opened from disk: no page complains, asks for anything from outside, sticks
// out on a phone or breaks a rule for accessible pages; its search finds what is there.
//
// usage: node site.mjs FOLDER SITE
// FOLDER holds node_modules and takes screenshots. CHROMIUM names the browser, if it is not found by itself.
import { readdirSync } from 'node:fs';
import { join, relative, resolve } from 'node:path';
import { pathToFileURL } from 'node:url';
import { accessible, browserOf, check, complaintsOf, finish } from './support.mjs';

const [folder, site] = process.argv.slice(2, 4).map((path) => resolve(path));
const { browser, axe } = await browserOf(folder);
const own = new RegExp(`^(data:|${pathToFileURL(site).href})`);

// What rustdoc makes has its own tests elsewhere.
const pages = readdirSync(site, { recursive: true, withFileTypes: true })
  .filter((e) => e.isFile() && e.name.endsWith('.html'))
  .map((e) => relative(site, join(e.parentPath ?? e.path, e.name)))
  .filter((name) => !name.startsWith('rust/') && !name.startsWith('_static/'))
  .sort();
check(pages.length > 40, `there are pages: ${pages.length}`);

const windowOf = async (width, scheme) => {
  const page = await browser.newPage({ viewport: { width, height: 900 }, colorScheme: scheme });
  page.setDefaultTimeout(180_000);
  const complaints = complaintsOf(page, '', own);
  const show = (name, query = '') => page.goto(pathToFileURL(join(site, name)).href + query);
  // Since it was asked last. What the theme logs is no complaint.
  return { page, show, complaints: () => complaints.splice(0).filter((c) => !c.startsWith('log: ')) };
};
const open = async (name, width, scheme, query) => {
  const opened = await windowOf(width, scheme);
  await opened.show(name, query);
  return opened;
};

const looks = [];
for (const [width, scheme] of [[1280, 'light'], [390, 'dark']]) looks.push({ width, scheme, ...await windowOf(width, scheme) });
// Both windows at once: each is a process of its own.
await Promise.all(looks.map(async ({ width, scheme, page, show, complaints }) => {
  for (const name of pages) {
    const at = `${name}, ${width} px, ${scheme}`;
    await show(name);
    await accessible(page, axe, at, 10);
    const said = complaints();
    check(said.length === 0, `no complaint and no request at ${at} ${said.join('; ')}`);
    if (['index.html', 'reference/python-pairs.html', 'reference/c/pairs.html', 'reference/command/align.html'].includes(name)) {
      await page.screenshot({ path: join(folder, 'screenshots', `site-${name.replaceAll('/', '-')}-${width}-${scheme}.png`) });
    }
  }
}));
for (const { page } of looks) await page.close();

for (const [word, wanted] of [['align_files', 'reference/python-pairs.html'], ['coeval_resampler_new', 'reference/c/sound-on-another-clock.html'], ['anchors', 'how-to/no-common-sound.html']]) {
  const { page, complaints } = await open('search.html', 1280, 'light', `?q=${word}`);
  await page.waitForSelector('#search-results li a');
  await page.waitForFunction(() => document.querySelector('.search-summary')?.textContent.includes('finished'));
  const found = await page.$$eval('#search-results li a', (links) => links.map((a) => a.href));
  check(found.some((href) => href.includes(wanted)), `the search for ${word} finds ${wanted} among ${found.length}`);
  const said = complaints();
  check(said.length === 0, `the search asks for nothing: ${said.join('; ')}`);
  await page.close();
}

// A crate's page, made by rustdoc, opens from disk as well.
{
  const { page } = await open('reference/rust.html', 1280, 'light');
  await page.click('a[href="../rust/coeval_shoot/index.html"]');
  await page.waitForLoadState();
  check((await page.title()).startsWith('coeval_shoot'), 'the page on Rust leads to the reference of a crate');
}

await browser.close();
finish();

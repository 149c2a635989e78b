// What the tests of all pages share. `python -m tests.browser` gives the addresses.
//
//   const { opened, view } = require('./browser.js');
//   test('a page', async (t) => {
//     const page = await opened(t, '/records', { width: 320 });
//     await view(page, 'records-narrow');
//   });
'use strict';
const assert = require('node:assert/strict');
const path = require('node:path');
const { after } = require('node:test');
const axe = require('axe-core');
const { chromium } = require('playwright-core');

const { ADDRESS, CHROMIUM, PICTURES } = process.env;
let browser;

after(async () => browser && browser.close());

// A page at an address of the service, in a fresh context that closes with the test `t`. The test
// fails when the page logs an error, breaks its own policy, or asks another server for something.
// `width` in CSS pixels; `scripts: false` switches JavaScript off; `language` is Accept-Language.
async function opened(t, address, { width = 1280, scripts = true, language = 'en' } = {}) {
  browser ??= await chromium.launch({ executablePath: CHROMIUM, args: ['--no-sandbox'] });
  const context = await browser.newContext({
    baseURL: ADDRESS,
    viewport: { width, height: 900 },
    javaScriptEnabled: scripts,
    locale: language,
    reducedMotion: 'reduce',
    permissions: ['clipboard-read', 'clipboard-write'],
  });
  const page = await context.newPage();
  page.setDefaultTimeout(10_000);
  page.faults = new Set();
  page.weight = 0;
  page.scripts = scripts;
  page.on('pageerror', (error) => page.faults.add(String(error)));
  page.on('console', (said) => {
    // A refused form is an answer of 4xx, which Chromium logs as an error of its own.
    const refused = said.text().startsWith('Failed to load resource') && page.refusalsExpected;
    // What the tools of `view` put into the page breaks its policy, not the page itself.
    if (said.type() === 'error' && !refused && !page.viewed) page.faults.add(said.text());
  });
  page.on('request', (asked) => {
    const own = asked.url().startsWith(ADDRESS) || /^(data|blob):/.test(asked.url());
    if (!own) page.faults.add(`asked another server: ${asked.url()}`);
  });
  const weighed = [];
  page.on('requestfinished', (asked) => {
    weighed.push(asked.sizes().then(({ responseBodySize, responseHeadersSize }) => {
      page.weight += responseBodySize + responseHeadersSize;
    }));
  });
  t.after(async () => {
    // A request that ends this late is weighed too, before the page is gone.
    page.removeAllListeners('requestfinished');
    await Promise.all(weighed);
    await context.close();
    assert.deepEqual([...page.faults], []);
  });
  await page.goto(address, { waitUntil: 'networkidle' });
  return page;
}

// Looks at the page as it is now: keeps a picture, asks axe-core, and allows no scrolling sideways.
async function view(page, name) {
  page.viewed = true;
  await page.screenshot({ path: path.join(PICTURES, `${name}.png`), fullPage: true });
  const [wide, shown] = await page.evaluate(() => {
    const root = document.scrollingElement;
    return [root.scrollWidth, root.clientWidth];
  });
  assert.ok(wide <= shown, `${name} is ${wide} px wide in ${shown} px`);
  await page.evaluate(axe.source);
  const { violations } = await page.evaluate(() => axe.run(document, { resultTypes: ['violations'] }));
  const said = violations.map(({ id, help, nodes }) => `${id}: ${help}: ${nodes[0].html}`);
  assert.deepEqual(said, [], `axe-core on ${name}`);
  // The tools leave empty style attributes behind, which htmx would copy and the policy refuse.
  await page.evaluate(() => {
    document.querySelectorAll('[style=""]').forEach((each) => each.removeAttribute('style'));
  });
  page.viewed = false;
}

module.exports = { opened, view };

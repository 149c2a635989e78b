// The pictures of README.md: name, address on the demo's log, width and height.
// `python -m tests.browser --pictures` gives the addresses.
'use strict';
const path = require('node:path');
const { chromium } = require('playwright-core');

const { ADDRESS, CHROMIUM, PICTURES } = process.env;
const WANTED = [['records', '/records', 1200, 1010]];

(async () => {
  const browser = await chromium.launch({ executablePath: CHROMIUM, args: ['--no-sandbox'] });
  for (const [name, address, width, height] of WANTED) {
    const page = await browser.newPage({ viewport: { width, height }, deviceScaleFactor: 0.75 });
    await page.goto(ADDRESS + address, { waitUntil: 'networkidle' });
    await page.screenshot({ path: path.join(PICTURES, `${name}.png`) });
  }
  await browser.close();
})();

// The pictures of README.md and docs/auditors.md: name, address on the demo's log, width and height,
// what is pressed and what has to be there then.
// `python -m tests.browser --pictures` gives the addresses.
'use strict';
const path = require('node:path');
const { chromium } = require('playwright-core');

const { ADDRESS, CHROMIUM, PICTURES } = process.env;
const WANTED = [
  ['records', '/records', 1200, 1010],
  ['try', '/', 1080, 900, 'Show this example', '#t-plan'],
];

(async () => {
  const browser = await chromium.launch({ executablePath: CHROMIUM, args: ['--no-sandbox'] });
  for (const [name, address, width, height, button, there] of WANTED) {
    const look = { viewport: { width, height }, deviceScaleFactor: 0.75, reducedMotion: 'reduce' };
    const page = await browser.newPage(look);
    await page.goto(ADDRESS + address, { waitUntil: 'networkidle' });
    if (button) {
      await page.getByRole('button', { name: button }).click();
      await page.locator(there).waitFor();
      await page.evaluate(() => window.scrollTo(0, 0));
    }
    await page.screenshot({ path: path.join(PICTURES, `${name}.png`) });
  }
  await browser.close();
})();

// The page for integrators, as its visitors use it.
'use strict';
const assert = require('node:assert/strict');
const test = require('node:test');
const { opened, view } = require('./browser.js');

const FEVER = 'Fever, nobody has asked about referral yet';
const BUDGET = 150 * 1024;

async function example(page, title = FEVER) {
  await page.getByLabel('Begin with an example').selectOption({ label: title });
  await page.getByRole('button', { name: 'Show this example' }).click();
  await page.getByRole('heading', { name: 'What to do' }).waitFor();
}

test('the first page is light', async (t) => {
  const page = await opened(t, '/');
  await view(page, 'try-empty');
  assert.ok(page.weight < BUDGET, `the first page weighs ${page.weight} bytes`);
});

test('an example is shown with its answer', async (t) => {
  const page = await opened(t, '/');
  await example(page);
  await view(page, 'try-example');
});

test('narrow', async (t) => {
  const page = await opened(t, '/', { width: 320 });
  await view(page, 'try-narrow-empty');
  await example(page);
  await view(page, 'try-narrow-example');
});

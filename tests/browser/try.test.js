// The page for integrators, as its visitors use it.
'use strict';
const assert = require('node:assert/strict');
const fs = require('node:fs/promises');
const test = require('node:test');
const { opened, view } = require('./browser.js');

const FEVER = 'Fever, nobody has asked about referral yet';
const NAME = '01-fever-refer-or-treat';
const FIRST_PAGE = 150 * 1024;

const asked = (page, question) => page.getByRole('group', { name: question, exact: true });
const plan = (page) => page.getByRole('heading', { name: 'What to do' });

async function example(page) {
  await page.getByLabel('Begin with an example').selectOption({ label: FEVER });
  await page.getByRole('button', { name: 'Show this example' }).click();
  await plan(page).waitFor();
}

async function ask(page) {
  await page.locator('#ask').click();
  await page.waitForLoadState('networkidle');
}

test('the first page is light', async (t) => {
  const page = await opened(t, '/');
  await view(page, 'try-empty');
  assert.ok(page.weight < FIRST_PAGE, `the first page weighs ${page.weight} bytes`);
});

test('an example, and its files', async (t) => {
  const page = await opened(t, '/');
  await example(page);
  await view(page, 'try-example');
  const sent = await fs.readFile(`examples/${NAME}/request.json`, 'utf8');

  await page.getByRole('button', { name: 'Copy Request' }).click();
  await page.getByRole('button', { name: 'Copied' }).waitFor();
  assert.equal(await page.evaluate(() => navigator.clipboard.readText()), sent);

  const [file] = await Promise.all([
    page.waitForEvent('download'),
    page.getByRole('button', { name: 'Download Request' }).click(),
  ]);
  assert.equal(await fs.readFile(await file.path(), 'utf8'), sent);
});

test('a changed value: what else changed, and why', async (t) => {
  const page = await opened(t, '/');
  await example(page);
  await page.locator('#f-temperature').fill('37.0');
  await ask(page);
  const changed = page.getByRole('region', { name: 'What changed' });
  await changed.waitFor();
  const said = await changed.innerText();
  assert.match(said, /Temperature\s+38.4 °C \(in the armpit\)\s+37 °C/);
  assert.match(said, /Urgent referral no longer proposed/);
  assert.match(said, /No longer: Clinical severe infection/);
  assert.equal(await page.evaluate(() => document.activeElement.id), 'answer');
  await view(page, 'try-changed');
});

test('the form, with a counted minute', async (t) => {
  const page = await opened(t, '/');
  await page.clock.install();
  await page.reload();
  await page.getByLabel('or age in days').fill('12');
  await page.getByLabel('Weight', { exact: true }).fill('3.1');
  await page.getByLabel('Temperature', { exact: true }).fill('36.9');
  await page.getByRole('button', { name: 'Start' }).click();
  for (let breath = 0; breath < 48; breath += 1) {
    await page.getByRole('button', { name: 'One breath' }).press('Space');
  }
  await page.clock.fastForward(61_000);
  await page.getByText('One minute: 48 breaths').waitFor();
  assert.equal(await page.locator('#f-respiratory-rate').inputValue(), '48');
  await asked(page, 'Convulsions in this illness').getByLabel('Yes').check();
  await ask(page);
  await page.getByRole('heading', { name: 'Critical illness' }).first().waitFor();
  await view(page, 'try-form');
});

test('a wrong value is told at its field', async (t) => {
  const page = await opened(t, '/');
  page.refusalsExpected = true;
  await page.getByLabel('Weight', { exact: true }).fill('three');
  await ask(page);
  await page.getByRole('alert').getByRole('link', { name: 'This is not a number.' }).click();
  assert.equal(await page.evaluate(() => document.activeElement.id), 'f-weight');
  assert.equal(await page.locator('#f-weight').getAttribute('aria-invalid'), 'true');
  await view(page, 'try-wrong');

  await page.getByLabel('Weight', { exact: true }).fill('3.4');
  await page.getByLabel('or age in days').fill('90');
  await ask(page);
  await page.getByRole('heading', { name: 'No recommendation' }).waitFor();
  await view(page, 'try-refused');
});

test('words to the caregiver that run from right to left', async (t) => {
  const page = await opened(t, '/');
  await example(page);
  await page.getByText('Stock and language').click();
  await page.getByLabel('Language of the words to the caregiver').selectOption({ label: 'العربية' });
  await ask(page);
  const words = page.getByRole('region', { name: 'Words to the caregiver' }).locator('[lang=ar]').first();
  assert.equal(await words.evaluate((each) => getComputedStyle(each).direction), 'rtl');
  await view(page, 'try-arabic');
});

test('narrow', async (t) => {
  const page = await opened(t, '/', { width: 320 });
  await view(page, 'try-narrow-empty');
  await example(page);
  await view(page, 'try-narrow-example');
});

test('by keyboard only', async (t) => {
  const page = await opened(t, '/');
  await page.keyboard.press('Tab');
  assert.equal(await page.evaluate(() => document.activeElement.className), 'skip');
  await page.keyboard.press('Enter');
  const to = async (id) => {
    for (let step = 0; step < 200; step += 1) {
      if ((await page.evaluate(() => document.activeElement.id || document.activeElement.name)) === id) return;
      await page.keyboard.press('Tab');
    }
    assert.fail(`${id} is not reached by the key Tab`);
  };
  await to('f-age');
  await page.keyboard.type('12');
  await to('convulsions');
  await page.keyboard.press('ArrowLeft'); // from "Not assessed" to "No"
  await page.keyboard.press('ArrowLeft');
  assert.ok(await asked(page, 'Convulsions in this illness').getByLabel('Yes').isChecked());
  await page.keyboard.press('Enter');
  await page.getByRole('heading', { name: 'Critical illness' }).first().waitFor();
});

test('without JavaScript', async (t) => {
  const page = await opened(t, '/', { scripts: false });
  await example(page);
  assert.match(page.url(), /\/#answer$/);
  assert.equal(await page.getByRole('button', { name: 'Copy' }).count(), 0);
  await page.locator('#f-temperature').fill('37.0');
  await page.locator('#ask').click();
  await page.getByText('Urgent referral no longer proposed').waitFor();
  page.refusalsExpected = true;
  await page.locator('#f-weight').fill('heavy');
  await page.locator('#ask').click();
  await page.getByText('This is not a number.').first().waitFor();
  assert.equal(await page.locator('#f-weight').inputValue(), 'heavy');
});

test('the page itself from right to left', async (t) => {
  const page = await opened(t, '/?lang=ar', { width: 1080 });
  await page.locator('.examples button').click();
  await page.locator('#t-plan').waitFor();
  await view(page, 'try-page-arabic');
});

// The auditors' pages, as an auditor uses them, over the log of demo.py.
'use strict';
const assert = require('node:assert/strict');
const fs = require('node:fs');
const test = require('node:test');
const { opened, view } = require('./browser.js');

const BUDGET = 150 * 1024;
const NEWEST = '/records/292';
const PATIENT = 'https://records.marrow-vale.example/fhir/Patient/mv-infant-01';

async function expectText(page, text) {
  await page.getByText(text).first().waitFor();
}

// A wrong input and an erased entry are answered with 4xx.
async function refused(t, address, options) {
  const page = await opened(t, 'about:blank', options);
  page.refusalsExpected = true;
  await page.goto(new URL(address, process.env.ADDRESS).href, { waitUntil: 'networkidle' });
  return page;
}

test('the first page is light, and tells the whole log', async (t) => {
  const page = await opened(t, '/records');
  await page.getByRole('heading', { name: '243 recommendations' }).waitFor();
  await view(page, 'records');
  assert.ok(page.weight < BUDGET, `the first page weighs ${page.weight} bytes`);
});

test('the charts are a table too', async (t) => {
  const page = await opened(t, '/records');
  await page.getByText('These three charts as a table').click();
  assert.equal(await page.locator('.scroll tbody tr').count(), 11);
  await view(page, 'records-charts-table');
});

test('a search by its fields', async (t) => {
  const page = await opened(t, '/records');
  await page.getByLabel('First day').fill('2026-10-01');
  await page.getByLabel('Class').selectOption('Clinical severe infection');
  await page.getByLabel('Clinic').selectOption('tolm-ford');
  await page.getByRole('button', { name: 'Search' }).click();
  await page.waitForURL('**/records?from=2026-10-01&class=clinical-severe-infection&clinic=tolm-ford');
  for (const row of await page.locator('.entries li').allTextContents()) {
    assert.match(row, /Clinical severe infection[^]*tolm-ford/);
  }
  await view(page, 'records-search');
});

test('a patient is searched for, and is in no address', async (t) => {
  const page = await opened(t, '/records');
  await page.getByLabel('Patient, as the request named it').fill(PATIENT);
  await page.getByRole('button', { name: 'Search' }).click();
  await page.waitForURL('**/records?patient-of=292');
  await expectText(page, 'for the patient of entry 292');
  await view(page, 'records-patient');
});

test('by keyboard only, from the search to a replay', async (t) => {
  const page = await opened(t, '/records');
  await page.getByLabel('Last day').focus();
  while (!(await page.locator('button:focus').count())) await page.keyboard.press('Tab');
  await page.keyboard.press('Enter');
  await page.waitForLoadState('networkidle');
  const entry = page.getByRole('link', { name: 'Entry 292', exact: true });
  while (!(await entry.evaluate((link) => link === document.activeElement))) {
    await page.keyboard.press('Tab');
  }
  await page.keyboard.press('Enter');
  await page.waitForURL(`**${NEWEST}`);
  while (!(await page.locator('button:focus').count())) await page.keyboard.press('Tab');
  await page.keyboard.press('Enter');
  await expectText(page, 'The same answer, byte for byte.');
  assert.ok(page.url().endsWith(NEWEST), 'a part of the page was exchanged, not the page');
  await view(page, 'records-replayed');
});

test('older and newer', async (t) => {
  const page = await opened(t, '/records');
  await page.getByRole('link', { name: 'Older' }).click();
  await page.getByRole('link', { name: 'Newer' }).click();
  await page.waitForURL('**/records');
});

test('a wrong input is told beside its field', async (t) => {
  const page = await refused(t, '/records?from=soon&outcome=well');
  await expectText(page, 'The search was not made.');
  const first = page.getByLabel('First day');
  assert.equal(await first.getAttribute('aria-invalid'), 'true');
  const said = await first.getAttribute('aria-describedby');
  assert.match(await page.locator(`#${said}`).textContent(), /2026-03-02/);
  await view(page, 'records-wrong');
});

test('one recommendation, in full', async (t) => {
  const page = await opened(t, NEWEST);
  await expectText(page, 'Yes: verified just now');
  await expectText(page, '52.9 mg/kg, for a weight of 3.4 kg');
  await page.getByText('Offline, with your own copy of the key').click();
  await view(page, 'records-one');
});

test('a note and cards', async (t) => {
  for (const [address, name] of [['/records/146', 'note'], ['/records/147', 'cards'], ['/records/145', 'feedback']]) {
    const page = await opened(t, address);
    await expectText(page, 'Yes: verified just now');
    await view(page, `records-${name}`);
  }
});

test('doses are put into the page', async (t) => {
  const page = await opened(t, '/records?class=clinical-severe-infection');
  await page.getByRole('link', { name: 'Show the doses' }).click();
  await page.getByRole('heading', { name: 'Doses per kilogram', level: 2 }).waitFor();
  assert.ok(page.url().endsWith('/records?class=clinical-severe-infection'));
  await view(page, 'records-doses');
});

test('an erased entry', async (t) => {
  const page = await refused(t, '/records/6');
  await expectText(page, 'Request and answer were destroyed.');
  await expectText(page, 'asked for by the family');
  await view(page, 'records-erased');
});

test('an altered entry', async (t) => {
  const page = await opened(t, '/records/9');
  await expectText(page, 'This entry is not what was recorded.');
  await view(page, 'records-altered');
});

test('an entry that there is not', async (t) => {
  const page = await refused(t, '/records/9999');
  await expectText(page, 'The log has no such entry.');
  await view(page, 'records-none');
});

test('narrow', async (t) => {
  for (const [address, name] of [
    ['/records', 'list'], [NEWEST, 'one'], ['/records/doses', 'doses'], ['/records/9', 'altered'],
  ]) {
    const page = await opened(t, address, { width: 320 });
    await page.evaluate(() => document.querySelectorAll('details').forEach((each) => { each.open = true; }));
    await view(page, `records-narrow-${name}`);
  }
});

test('without JavaScript', async (t) => {
  const page = await opened(t, '/records', { scripts: false });
  await page.getByLabel('Patient, as the request named it').fill(PATIENT);
  await page.getByRole('button', { name: 'Search' }).click();
  await page.getByRole('link', { name: 'Show the doses' }).click();
  await page.getByRole('heading', { name: 'Doses in the records' }).waitFor();
  await page.getByRole('link', { name: 'Back to the list' }).click();
  await page.getByRole('link', { name: 'Entry 292', exact: true }).click();
  await page.getByRole('button', { name: 'Ask again now' }).click();
  await page.getByText('The same answer, byte for byte.').waitFor();
  await page.getByText('Why this was said').waitFor();
});

test('a selection is taken as a file', async (t) => {
  const page = await opened(t, '/records?from=2026-11-01');
  await page.getByText('Take this selection as a file').click();
  for (const [name, first] of [['CSV', /^index,kind,recorded/], ['NDJSON', /^\{"index":0,"count":/]]) {
    const [download] = await Promise.all([
      page.waitForEvent('download'),
      page.getByRole('link', { name, exact: true }).click(),
    ]);
    assert.match(fs.readFileSync(await download.path(), 'utf8'), first);
  }
});

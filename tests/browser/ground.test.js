// What holds for any page.
'use strict';
const assert = require('node:assert/strict');
const test = require('node:test');
const { opened, view } = require('./browser.js');

test('a page that breaks a rule of access is found', async (t) => {
  const page = await opened(t, 'about:blank');
  await page.setContent('<!doctype html><html lang=en><title>x</title><main><h1>x</h1><img src="data:,">');
  await assert.rejects(view(page, 'broken'), /image-alt/);
});
test('a page that is too wide is found', async (t) => {
  const page = await opened(t, 'about:blank', { width: 320 });
  await page.setContent('<!doctype html><html lang=en><title>x</title><main><h1>x</h1><p style="width: 400px">x');
  await assert.rejects(view(page, 'broken'), /broken is 4\d\d px wide in 320 px/);
});

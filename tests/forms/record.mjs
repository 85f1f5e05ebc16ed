// Records what a real browser sends for the form pages in this folder.
//
//   npm install --prefix tests/forms --no-package-lock
//   node tests/forms/record.mjs             records anew: tests/forms/*.recorded
//   node tests/forms/record.mjs --compare   records again and fails on any difference
//
// Needs Node 20 and a Chromium (Debian: `apt-get install chromium`), found as `chromium` on the
// PATH or named by the variable CHROMIUM. Everything stays on the loopback interface.
//
// Each case of cases.json is served, opened with scripts off, filled as the case says, and sent by
// the button that the case says (or by form.submit() where it says none). A recording is the
// method and target, a line with the content type, an empty line, and the body byte for byte.

import { execFileSync } from 'node:child_process';
import { existsSync, readFileSync, writeFileSync } from 'node:fs';
import http from 'node:http';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { chromium } from 'playwright-core';

const here = dirname(fileURLToPath(import.meta.url));
const cases = JSON.parse(readFileSync(join(here, 'cases.json'), 'utf8'));
const compare = process.argv.includes('--compare');

function page(one) {
  const bytes = readFileSync(join(here, one.page));
  if (!one.attributes) return bytes;
  return Buffer.from(bytes.toString('latin1').replace('%FORMATTR%', one.attributes), 'latin1');
}

let arrived = () => {};
const server = http.createServer((request, response) => {
  const parts = [];
  request.on('data', (part) => parts.push(part));
  request.on('end', () => {
    const served = request.method === 'GET' && new URL(request.url, 'http://x').searchParams.has('serve');
    const one = served && cases.find((one) => request.url === `/at/${one.name}?serve`);
    if (one) {
      response.writeHead(200, { 'content-type': one.content_type });
      response.end(page(one));
      return;
    }
    response.writeHead(200, { 'content-type': 'text/plain' });
    response.end('taken');
    if (request.url === '/favicon.ico') return;
    const type = request.headers['content-type'] ?? '-';
    const head = `${request.method} ${request.url}\n${type}\n\n`;
    arrived(Buffer.concat([Buffer.from(head, 'latin1'), ...parts]));
  });
});
await new Promise((done) => server.listen(0, '127.0.0.1', done));
const origin = `http://127.0.0.1:${server.address().port}`;

const executablePath = process.env.CHROMIUM ?? execFileSync('which', ['chromium'], { encoding: 'utf8' }).trim();
const browser = await chromium.launch({
  executablePath,
  args: [
    '--no-sandbox', '--disable-gpu', '--disable-dev-shm-usage', '--disable-quic', '--no-first-run', '--lang=en-US',
    '--disable-background-networking', '--disable-component-update', '--disable-sync',
    '--host-resolver-rules=MAP * ~NOTFOUND , EXCLUDE 127.0.0.1',
  ],
});
const context = await browser.newContext({ javaScriptEnabled: false, locale: 'en-US' });
context.setDefaultTimeout(60_000);
const tab = await context.newPage();
console.log(`browser ${browser.version()}`);

let differences = 0;
for (const one of cases) {
  await tab.goto(`${origin}/at/${one.name}?serve`);
  const form = tab.locator(one.form);
  for (const [control, kind, value] of one.fill ?? []) {
    const found = await tab.evaluateHandle(
      ([form, control]) => document.querySelector(form).elements.namedItem(control),
      [one.form, control],
    );
    if (kind === 'text') await found.asElement().fill(value);
    else if (kind === 'box') await found.asElement().setChecked(value);
    else if (kind === 'select') await found.asElement().selectOption(value);
    else if (kind === 'radio') {
      const button = await tab.evaluateHandle(
        ([list, value]) => [...list].find((radio) => radio.value === value), [found, value]);
      await button.asElement().check();
    } else throw new Error(`unknown kind ${kind}`);
  }
  const recorded = new Promise((done, fail) => {
    const limit = setTimeout(() => fail(new Error(`${one.name}: nothing was sent`)), 60_000);
    arrived = (bytes) => { clearTimeout(limit); done(bytes); };
  });
  await form.evaluate((form, press) => {
    if (!press) { HTMLFormElement.prototype.submit.call(form); return; }
    const [name, value] = press;
    const button = [...document.querySelectorAll('button, input[type=submit i], input[type=image i]')]
      .find((b) => b.form === form && b.name === name && (value === null || b.value === value));
    if (!button) throw new Error(`no button ${name}`);
    button.click();
  }, one.press);
  const bytes = await recorded;
  const file = join(here, `${one.name}.recorded`);
  if (!compare) {
    writeFileSync(file, bytes);
    console.log(`recorded ${one.name}: ${bytes.length} bytes`);
  } else if (!existsSync(file) || !readFileSync(file).equals(bytes)) {
    differences += 1;
    console.error(`${one.name}: the browser now sends\n${bytes.toString('latin1')}`);
  }
  await tab.getByText('taken', { exact: true }).waitFor();
}
await browser.close();
server.close();
if (compare) console.log(`${cases.length} cases compared, ${differences} differ`);
process.exitCode = differences === 0 ? 0 : 1;

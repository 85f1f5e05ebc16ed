// Records what a real browser sends for the form pages in this folder.
//
//   npm install --prefix tests/forms --no-package-lock
//   node tests/forms/record.mjs             records anew: tests/forms/*.recorded
//   node tests/forms/record.mjs --compare   records again and fails on any difference
//   node tests/forms/record.mjs NAME...     the same for these cases alone
//
// What it needs stands in browser.mjs. Each case of cases.json is served, opened with scripts off,
// filled as the case says, and sent by the button that the case says (or by form.submit() where it
// says none). A case with `nothing` records that the browser sends nothing.

import { existsSync, readFileSync, writeFileSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { launch } from './browser.mjs';

const here = dirname(fileURLToPath(import.meta.url));
const compare = process.argv.includes('--compare');
const named = process.argv.slice(2).filter((word) => !word.startsWith('--'));
const all = JSON.parse(readFileSync(join(here, 'cases.json'), 'utf8'));
const cases = named.length === 0 ? all : all.filter((one) => named.includes(one.name));

function bytesOf(one) {
  const bytes = readFileSync(join(here, one.page));
  if (!one.attributes) return bytes;
  return Buffer.from(bytes.toString('latin1').replace('%FORMATTR%', one.attributes), 'latin1');
}

async function fill(tab, one) {
  for (const [control, kind, value] of one.fill ?? []) {
    const found = await tab.page.evaluateHandle(
      ([form, control]) => document.querySelector(form).elements.namedItem(control),
      [one.form, control],
    );
    if (kind === 'text') await found.asElement().fill(value);
    else if (kind === 'box') await found.asElement().setChecked(value);
    else if (kind === 'select') await found.asElement().selectOption(value);
    else if (kind === 'radio') {
      const button = await tab.page.evaluateHandle(
        ([list, value]) => [...list].find((radio) => radio.value === value), [found, value]);
      await button.asElement().check();
    } else throw new Error(`unknown kind ${kind}`);
  }
}

async function recorded(tab, one) {
  await tab.show(bytesOf(one), one.content_type);
  await fill(tab, one);
  const send = () => tab.page.locator(one.form).evaluate((form, press) => {
    if (!press) { HTMLFormElement.prototype.submit.call(form); return; }
    const [name, value] = press;
    const button = [...document.querySelectorAll('button, input[type=submit i], input[type=image i]')]
      .find((b) => b.form === form && b.name === name && (value === null || b.value === value));
    if (!button) throw new Error(`no button ${name}`);
    button.click();
  }, one.press);
  return one.nothing ? tab.sentAtAll(send) : tab.sent(send);
}

const browser = await launch();
console.log(`browser ${browser.version}`);
const tab = await browser.tab();
let differences = 0;
for (const one of cases) {
  let bytes;
  try {
    bytes = await recorded(tab, one);
  } catch (error) {
    throw new Error(`${one.name}: ${error.message}`);
  }
  const file = join(here, `${one.name}.recorded`);
  if (!compare) {
    writeFileSync(file, bytes);
    console.log(`recorded ${one.name}: ${bytes.length} bytes`);
  } else if (!existsSync(file) || !readFileSync(file).equals(bytes)) {
    differences += 1;
    console.error(`${one.name}: the browser now sends\n${bytes.toString('latin1')}`);
  }
}
await tab.close();
await browser.close();
if (compare) console.log(`${cases.length} cases compared, ${differences} differ`);
process.exitCode = differences === 0 ? 0 : 1;

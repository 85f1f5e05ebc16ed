// Random pages through a real browser and through linkmend: for each form the controls that it owns
// and the bytes that it sends, compared byte for byte.
//
//   npm install --prefix tests/forms --no-package-lock
//   cargo build --example form-bytes
//   node tests/forms/random.mjs --seed 1 --pages 300
//   node tests/forms/random.mjs --seed 1 --page 17      one page of it again
//
// A page that differs is made smaller until nothing more can be left out, printed with its seed and
// kept in target/forms-differing/. `--tabs N` sets how many tabs work side by side.

import { spawn } from 'node:child_process';
import { mkdirSync, writeFileSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { createInterface } from 'node:readline';
import { fileURLToPath } from 'node:url';
import { parseArgs } from 'node:util';
import { BOUNDARY, PATH, launch, written } from './browser.mjs';
import { Dice, bytesOf, generate, seedOf } from './generate.mjs';

const root = join(dirname(fileURLToPath(import.meta.url)), '../..');
const { values: given } = parseArgs({
  options: {
    seed: { type: 'string', default: '1' },
    pages: { type: 'string', default: '300' },
    page: { type: 'string' },
    tabs: { type: 'string', default: '3' },
    program: { type: 'string', default: join(process.env.CARGO_TARGET_DIR ?? join(root, 'target'), 'debug/examples/form-bytes') },
  },
});
const [seed, pages, tabs] = [given.seed, given.pages, given.tabs].map(Number);
const kept = join(root, 'target/forms-differing');

/** What linkmend sends: one process that answers one line with one line. */
class Ours {
  constructor(program) {
    this.waiting = [];
    this.child = spawn(program, ['--batch', '--boundary', BOUNDARY, '-'], { stdio: ['pipe', 'pipe', 'inherit'] });
    this.child.on('error', (error) => { throw new Error(`${program}: ${error.message}. Build it: cargo build --example form-bytes`); });
    this.child.on('exit', (code) => { if (this.waiting.length > 0) throw new Error(`${program} ended with ${code}`); });
    createInterface({ input: this.child.stdout }).on('line', (line) => this.waiting.shift()(JSON.parse(line)));
  }

  ask(one) {
    return new Promise((done) => {
      this.waiting.push(done);
      this.child.stdin.write(`${JSON.stringify(one)}\n`);
    });
  }

  close() { this.child.stdin.end(); }
}

/** Every form of the page that is shown: its controls and its buttons that send it. */
function formsOf() {
  const controls = [...document.querySelectorAll('input, button, select, textarea')];
  return [...document.forms].map((form) => {
    const own = controls.filter((control) => control.form === form);
    const buttons = own.filter((one) => ['submit', 'image'].includes(one.type) && !one.matches(':disabled'));
    const value = (one) => one.getAttribute('value') ?? (one.localName === 'input' && one.type === 'submit' ? 'Submit' : '');
    return {
      controls: own.map((one) => ({ name: one.getAttribute('name') ?? '', kind: one.type, disabled: one.matches(':disabled') })),
      buttons: buttons.map((one) => ({ at: controls.indexOf(one), name: one.getAttribute('name') ?? '', value: value(one) })),
    };
  });
}

function send([index, at]) {
  const form = document.forms[index];
  form.noValidate = true;
  if (at === null) { HTMLFormElement.prototype.submit.call(form); return; }
  HTMLElement.prototype.click.call([...document.querySelectorAll('input, button, select, textarea')][at]);
}

/** What differs on a page, as lines; none when nothing does. */
async function differences(tab, ours, page, dice) {
  const bytes = bytesOf(page);
  const one = { page: bytes.toString('base64'), content_type: page.type, url: tab.origin + PATH, controls: true };
  await tab.show(bytes, page.type);
  const theirs = await tab.page.evaluate(formsOf);
  const listed = await ours.ask(one);
  if (!Array.isArray(listed) || listed.length !== theirs.length) {
    return [`the browser has ${theirs.length} forms, ours: ${JSON.stringify(listed)}`];
  }
  const found = [];
  for (const [index, form] of theirs.entries()) {
    const single = (button) => form.buttons.filter((b) => b.name === button.name && b.value === button.value).length === 1;
    const buttons = form.buttons.filter(single);
    const presses = buttons.length > 0 && dice.chance(70) ? [dice.one(buttons)] : [];
    if (presses.length === 0 || dice.chance(50)) presses.push(null);
    for (const button of presses) {
      const press = button && [button.name, button.value];
      const mine = await ours.ask({ ...one, form: String(index + 1), press });
      const which = `form ${index + 1}, ${press ? `pressed ${JSON.stringify(press)}` : 'no button'}`;
      const act = () => tab.page.evaluate(send, [index, button && button.at]);
      if (mine.error) {
        const received = (await tab.sentAtAll(act)).toString('latin1');
        if (!received.startsWith('GET /nothing\n')) found.push(`${which}\n  browser:  ${JSON.stringify(received)}\n  linkmend: ${mine.error}`);
        await tab.show(bytes, page.type);
        continue;
      }
      const [wanted, got] = [form.controls, mine.controls].map((list) => JSON.stringify(list));
      if (wanted !== got) found.push(`${which}, controls\n  browser:  ${wanted}\n  linkmend: ${got}`);
      const url = new URL(mine.address);
      const target = url.pathname + (mine.address.includes('?') ? mine.address.slice(mine.address.indexOf('?')) : '');
      const sent = written(mine.method, target, mine.content_type ?? '-', Buffer.from(mine.body, 'base64'));
      let received;
      try {
        received = await tab.sent(act, 10_000);
      } catch (error) {
        received = Buffer.from(error.message);
      }
      if (!received.equals(sent)) {
        found.push(`${which}\n  browser:  ${JSON.stringify(received.toString('latin1'))}\n  linkmend: ${JSON.stringify(sent.toString('latin1'))}`);
      }
    }
  }
  return found;
}

/** Leaves out pieces as long as the page still differs. */
async function smaller(tab, ours, page, again) {
  // Where the charset is declared, it stays declared: without that browsers guess.
  const first = page.pieces.findIndex((piece) => !/^<(!doctype|meta)/.test(piece));
  const head = page.pieces.slice(0, first);
  let pieces = page.pieces.slice(first);
  for (let size = Math.ceil(pieces.length / 2); size >= 1; size = size === 1 ? 0 : Math.ceil(size / 2)) {
    for (let at = 0; at < pieces.length;) {
      const fewer = [...pieces.slice(0, at), ...pieces.slice(at + size)];
      const differs = (await differences(tab, ours, { ...page, pieces: [...head, ...fewer] }, again())).length > 0;
      if (differs) pieces = fewer;
      else at += size;
    }
  }
  return { ...page, pieces: [...head, ...pieces] };
}

const browser = await launch();
const program = new Ours(given.program);
console.log(`browser ${browser.version}, seed ${seed}`);
const indexes = given.page === undefined ? [...Array(pages).keys()] : [Number(given.page)];
const count = indexes.length;
let differing = 0;
let nested = 0;
async function work() {
  const tab = await browser.tab();
  for (let index = indexes.shift(); index !== undefined; index = indexes.shift()) {
    if (index % 500 === 0 && index > 0) console.log(`page ${index} of ${count}`);
    const dice = new Dice(seedOf(seed, index));
    const page = generate(dice);
    const { state } = dice;
    const again = () => { const same = new Dice(0); same.state = state; return same; };
    if ((await differences(tab, program, page, again())).length === 0) continue;
    // See `form-in-form-ends-both` in deviations.json.
    if (await tab.page.evaluate(() => document.querySelector('form form') !== null)) {
      nested += 1;
      continue;
    }
    differing += 1;
    const small = await smaller(tab, program, page, again);
    const lines = await differences(tab, program, small, again());
    mkdirSync(kept, { recursive: true });
    const file = join(kept, `seed-${seed}-page-${index}.html`);
    writeFileSync(file, bytesOf(small));
    console.error(`\nseed ${seed}, page ${index} (${page.type}) differs; the least of it is in ${file}:\n${small.pieces.join('')}\n${lines.join('\n')}`);
  }
  await tab.close();
}
await Promise.all(Array.from({ length: tabs }, work));
program.close();
await browser.close();
console.log(`${count} pages compared, ${differing} differ, ${nested} not judged for a form within a form`);
process.exitCode = differing === 0 ? 0 : 1;

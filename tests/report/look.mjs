// The report in a real browser without a network, and before a validator that is not ours.
//
//     node tests/report/look.mjs PROGRAM [--keep FOLDER]     PROGRAM: target/debug/examples/report
//
// Draws the reports of shelf.json, of hostile.json and of a longer one, and holds of each: html-validate has nothing to
// say; Chromium loads nothing, logs nothing and runs nothing; every text of the data is on the page;
// at the width of a phone and of a desk nothing stands out of the page and no two texts of a picture
// lie on one another; axe finds no fault in contrast and structure, light and dark; and it prints on
// A4. `--keep` leaves the pictures in a folder, to be looked at.
//
// Needs Node 20, `npm install --prefix tests/report`, and a Chromium as tests/forms/browser.mjs does.

import { execFileSync } from 'node:child_process';
import { mkdtempSync, readFileSync, rmSync, writeFileSync, mkdirSync } from 'node:fs';
import { tmpdir } from 'node:os';
import path from 'node:path';
import { fileURLToPath, pathToFileURL } from 'node:url';
import axe from 'axe-core';
import { HtmlValidate } from 'html-validate';
import { chromium } from 'playwright-core';

const HERE = path.dirname(fileURLToPath(import.meta.url));

/** The narrowest phone in use, and a desk (common practice, no source). */
const PHONE = { width: 360, height: 740 };
const DESK = { width: 1280, height: 900 };

/** Pages of A4 that the shelf of 24 may take: more is no list to pin to a wall (no source). */
const MOST_PAGES = 6;

let failed = 0;
let held = 0;

function holds(what, good, seen = '') {
  if (good) {
    held += 1;
    return;
  }
  failed += 1;
  console.log(`FAILED ${what}${seen === '' ? '' : `\n  ${String(seen).slice(0, 2000)}`}`);
}

/** What a person sees of a text: what acts on a screen is written out. Categories from Unicode, as the JavaScript engine knows them. */
function shown(text) {
  return text.replace(/[\p{Cc}\p{Cf}\u2028\u2029]/gu, (c) => `\\u{${c.codePointAt(0).toString(16)}}`);
}

/** A message has none of its backticks on the page: what stands between two is set apart. */
const bare = (text) => text.replaceAll('`', '');

/** Every text of the data that somebody chose, with where it stands. */
function* texts(out) {
  yield ['title', out.title];
  yield ['family', out.family];
  for (const adapter of out.adapters) yield ['adapter', adapter];
  if (out.error) yield* fault('run', out.error);
  for (const finding of out.findings) {
    yield ['finding', finding.text];
    for (const label of finding.loaners) yield ['finding', label];
  }
  for (const stranger of out.strangers) {
    if (stranger.name) yield ['stranger', stranger.name];
    yield* marks('stranger', stranger.identity);
  }
  for (const loaner of out.loaners) {
    const at = `loaner ${loaner.label}`;
    yield [at, loaner.label];
    yield* marks(at, loaner.identity);
    if (loaner.transmitter) yield [at, loaner.transmitter];
    if (loaner.error) yield* fault(at, loaner.error);
    for (const note of loaner.notes ?? []) yield [at, note];
    for (const left of loaner.left) yield [at, left];
    if (loaner.signal !== undefined) yield [at, `${loaner.signal} %`];
    for (const number of [loaner.record, loaner.change]) if (number !== undefined) yield [at, String(number)];
    for (const change of loaner.changes) {
      yield [at, change.setting];
      yield [at, change.why];
      for (const side of [change.before, change.after]) {
        if (typeof side.value === 'string') yield [at, side.value];
        if (typeof side.value === 'number') yield [at, String(side.value)];
        if (side.label) yield [at, side.label];
        if (side.fingerprint) yield [at, side.fingerprint];
      }
    }
  }
}

function* fault(at, error) {
  yield [at, error.message];
  if (error.help) yield [at, error.help];
}

function* marks(at, identity) {
  if (identity.serial) yield [at, identity.serial];
  if (identity.bssid) yield [at, identity.bssid];
}

/** A check of 60 over two hours and a half through five adapters, every second with settings of its own left alone. */
function longer(shelf) {
  const adapters = ['wlan0', 'wlan1', 'wlan2', 'wlan3', 'wlan4'];
  const loaners = Array.from({ length: 60 }, (_, i) => {
    const one = structuredClone(shelf.loaners[i % 24]);
    one.label = `${one.label} ${Math.floor(i / 24) + 1}`;
    if (one.result === 'done') one.result = 'differs';
    for (const change of one.changes) Object.assign(change, { proof: 'none', why: '' });
    if (i % 2 === 0) one.left = [...one.left, 'output-rate'];
    one.spans = one.spans.map((s) => ({ ...s, from_s: s.from_s * 32, to_s: s.to_s * 32, ...(s.adapter && { adapter: adapters[i % 5] }) }));
    return one;
  });
  const count = (...results) => loaners.filter((one) => results.includes(one.result)).length;
  return {
    ...shelf, command: 'check', title: 'Tarn Sailing School, all boats', took_s: shelf.took_s * 32, adapters, loaners, findings: [], simulated: false,
    counts: { all: 60, as_wanted: count('as-wanted'), done: 0, differ: count('differs'), failed: count('put-back'), unproved: count('unproved'), missing: count('missing') },
  };
}

async function judge(name, html) {
  const validator = new HtmlValidate({ extends: ['html-validate:standard', 'html-validate:a11y'] });
  const report = await validator.validateString(html, `${name}.html`);
  const said = report.results.flatMap((r) => r.messages.map((m) => `${m.line}:${m.column} ${m.ruleId}: ${m.message}`));
  holds(`${name}: html-validate has nothing to say`, report.valid && said.length === 0, said.join('\n  '));
}

async function look(browser, name, file, html, out, folder) {
  for (const [size, viewport] of Object.entries({ phone: PHONE, desk: DESK })) {
    for (const colorScheme of ['light', 'dark']) {
      const at = `${name}, ${size}, ${colorScheme}`;
      const context = await browser.newContext({ viewport, colorScheme, offline: true, locale: 'en-GB' });
      const page = await context.newPage();
      const noise = [];
      page.on('console', (message) => noise.push(message.text()));
      page.on('pageerror', (error) => noise.push(String(error)));
      page.on('dialog', (dialog) => { noise.push(dialog.message()); dialog.dismiss(); });
      page.on('request', (request) => { if (request.url() !== file) noise.push(request.url()); });
      await page.goto(file);
      await page.screenshot({ path: path.join(folder, `${name}-${size}-${colorScheme}.png`), fullPage: true });
      holds(`${at}: loads, logs and runs nothing`, noise.length === 0, noise.join('\n  '));

      const seen = await page.evaluate(examine);
      const pictures = html.match(/<svg[^]*?<\/svg>/g);
      const faulty = await page.evaluate((all) => all.filter((one) => new DOMParser().parseFromString(one, 'image/svg+xml').querySelector('parsererror')), pictures);
      holds(`${at}: ${pictures.length} pictures are whole, by the rules of XML`, faulty.length === 0, faulty);
      holds(`${at}: no script and no handler`, seen.active.length === 0, seen.active.join(' '));
      holds(`${at}: no wider than the window`, seen.width <= viewport.width, seen.width);
      holds(`${at}: nothing stands out of the page`, seen.out.length === 0, seen.out.join('\n  '));
      holds(`${at}: no text of a picture lies on another`, seen.over.length === 0, seen.over.join('\n  '));
      holds(`${at}: the pictures say what they are`, seen.pictures.length > 0 && seen.pictures.every((p) => p));
      holds(`${at}: a tag a loaner`, seen.tags === out.loaners.length, seen.tags);
      for (const [where, text] of texts(out)) {
        // A message in a line of its own begins with a capital.
        const has = (part) => [part, part.slice(0, 1).toUpperCase() + part.slice(1)]
          .some((one) => bare(seen.text).includes(bare(shown(one))));
        const parts = has(text) ? [] : text.split('\n').filter((part) => !has(part));
        holds(`${at}: ${where} is on the page`, parts.length === 0, parts.join('\n  '));
      }
      await page.evaluate(axe.source);
      const found = await page.evaluate(() => globalThis.axe.run({ resultTypes: ['violations'] }));
      const faults = found.violations.map((v) => `${v.id}: ${v.help}: ${v.nodes.slice(0, 3).map((n) => `${n.html.slice(0, 160)} ${n.any.map((a) => a.message).join(' ')}`).join(' | ')}`);
      holds(`${at}: axe looked at the page`, found.passes.some((rule) => rule.id === 'color-contrast'), found.passes.length);
      holds(`${at}: axe finds no fault`, faults.length === 0, faults.join('\n  '));
      await context.close();
    }
  }
}

/** Runs in the page. */
function examine() {
  const all = [...document.querySelectorAll('body *')];
  const active = all.filter((e) => ['SCRIPT', 'IFRAME', 'IMG', 'OBJECT', 'FORM'].includes(e.tagName.toUpperCase())
    || [...e.attributes].some((a) => a.name.startsWith('on') || /^\s*javascript:/i.test(a.value))).map((e) => e.outerHTML);
  const wide = document.documentElement.clientWidth + 1;
  const box = (e) => e.getBoundingClientRect();
  const out = all.filter((e) => !e.closest('.store') && box(e).width > 0 && (box(e).right > wide || box(e).left < -1))
    .map((e) => `${e.tagName} ${e.getAttribute('class')} ${Math.round(box(e).left)}..${Math.round(box(e).right)} ${e.textContent.slice(0, 60)}`);
  const over = [];
  for (const svg of document.querySelectorAll('svg.lanes')) {
    const drawn = [...svg.querySelectorAll('text')];
    drawn.forEach((one, i) => drawn.slice(i + 1).forEach((other) => {
      const [a, b] = [box(one), box(other)];
      const across = Math.min(a.right, b.right) - Math.max(a.left, b.left);
      // Boxes of letters are higher than what is drawn of them, so rows may touch.
      const down = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
      if (across > 0 && down > 4) over.push(`${one.textContent} | ${other.textContent}`);
    }));
  }
  const pictures = [...document.querySelectorAll('svg[role=img]')].map((svg) => svg.getAttribute('aria-labelledby')
    .split(' ').every((id) => document.getElementById(id)?.textContent.length > 10));
  return {
    active, out, over, pictures,
    width: document.documentElement.scrollWidth,
    tags: document.querySelectorAll('.tag').length,
    text: document.body.textContent,
  };
}

/** What the printer gets. Chromium writes each page's object in the clear. */
async function print(browser, name, file, folder) {
  const context = await browser.newContext({ offline: true, colorScheme: 'dark' });
  const page = await context.newPage();
  await page.goto(file);
  const pdf = await page.pdf({ preferCSSPageSize: true, printBackground: false });
  writeFileSync(path.join(folder, `${name}.pdf`), pdf);
  await page.emulateMedia({ media: 'print', colorScheme: 'dark' });
  const paper = await page.evaluate(() => [getComputedStyle(document.body).color, getComputedStyle(document.documentElement).getPropertyValue('--paper').trim()]);
  await context.close();
  const text = pdf.toString('latin1');
  const pages = text.match(/\/Type\s*\/Page\b(?!s)/g)?.length ?? 0;
  const boxes = new Set(text.match(/\/MediaBox\s*\[[^\]]*\]/g));
  console.log(`  ${name}: ${pages} pages of A4`);
  holds(`${name}: prints on A4`, [...boxes].every((b) => /\[0 0 59[4-6]\S* 84[12]\S*\]/.test(b)) && boxes.size > 0, [...boxes]);
  holds(`${name}: prints dark on white, whatever the screen`, paper[0] === 'rgb(0, 0, 0)' && paper[1] === '#fff', paper);
  return pages;
}

async function main() {
  const [program, keep, kept] = process.argv.slice(2);
  if (!program || (keep !== undefined && (keep !== '--keep' || !kept))) {
    console.log('usage: node tests/report/look.mjs PROGRAM [--keep FOLDER]');
    return 2;
  }
  const folder = kept ?? mkdtempSync(path.join(tmpdir(), 'report-'));
  mkdirSync(folder, { recursive: true });
  const executablePath = process.env.CHROMIUM ?? execFileSync('which', ['chromium'], { encoding: 'utf8' }).trim();
  const browser = await chromium.launch({
    executablePath,
    args: ['--no-sandbox', '--disable-gpu', '--disable-dev-shm-usage', '--no-first-run', '--lang=en-GB'],
  });
  try {
    const long = path.join(folder, 'long.json');
    writeFileSync(long, JSON.stringify(longer(JSON.parse(readFileSync(path.join(HERE, 'shelf.json'), 'utf8')))));
    for (const [name, json] of [['shelf', path.join(HERE, 'shelf.json')], ['hostile', path.join(HERE, 'hostile.json')], ['long', long]]) {
      const html = execFileSync(program, ['html', json], { encoding: 'utf8', maxBuffer: 1 << 26 });
      const file = path.join(folder, `${name}.html`);
      writeFileSync(file, html);
      await judge(name, html);
      await look(browser, name, pathToFileURL(file).href, html, JSON.parse(readFileSync(json, 'utf8')), folder);
      const pages = await print(browser, name, pathToFileURL(file).href, folder);
      holds(`${name}: a page at least`, pages > 0);
      if (name === 'shelf') holds(`${name}: at most ${MOST_PAGES} pages`, pages <= MOST_PAGES, pages);
    }
  } finally {
    await browser.close();
    if (!kept) rmSync(folder, { recursive: true });
  }
  console.log(`  ${held} hold, ${failed} do not`);
  return failed === 0 ? 0 : 1;
}

process.exitCode = await main();

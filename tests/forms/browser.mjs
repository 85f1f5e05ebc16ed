// A real browser with scripts off, and a server on the loopback interface that writes down what the
// browser sends to it. record.mjs and random.mjs stand on it.
//
// Needs Node 20 and a Chromium (Debian: `apt-get install chromium`), found as `chromium` on the
// PATH or named by the variable CHROMIUM. Nothing leaves the loopback interface.

import { execFileSync } from 'node:child_process';
import http from 'node:http';
import { chromium } from 'playwright-core';

/** Where every page is: relative addresses have something to be relative to. */
export const PATH = '/at/shore/page?serve';

/** What stands for the boundary in what is compared and recorded. */
export const BOUNDARY = 'boundary';

/** Starts the browser; `tab()` opens a tab with a server of its own. */
export async function launch() {
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
  return { version: browser.version(), tab: () => Tab.open(context), close: () => browser.close() };
}

/** One tab and the server that its pages are on. */
export class Tab {
  #served = { bytes: Buffer.alloc(0), type: 'text/html' };
  #arrived = () => {};

  static async open(context) {
    const tab = new Tab();
    tab.server = http.createServer((request, response) => tab.#answer(request, response));
    await new Promise((done) => tab.server.listen(0, '127.0.0.1', done));
    tab.origin = `http://127.0.0.1:${tab.server.address().port}`;
    tab.page = await context.newPage();
    return tab;
  }

  /** Goes to a page of these bytes, which the server says to be of this type. */
  async show(bytes, type) {
    this.#served = { bytes, type };
    for (let tries = 3; ; tries -= 1) {
      try {
        await this.page.goto(this.origin + PATH);
        return;
      } catch (error) {
        // A 204 that only just arrives for the page before ends this navigation too.
        if (tries === 0 || !error.message.includes('ERR_ABORTED')) throw error;
      }
    }
  }

  /**
   * What the browser sends after `act`, as bytes: method and target, a line with the content type,
   * an empty line, and the body. The boundary of a multipart body is replaced by a fixed word. The
   * page stays, since the answer is 204. An error after `limit` ms.
   */
  async sent(act, limit = 60_000) {
    const sent = new Promise((done, fail) => {
      const late = setTimeout(() => fail(new Error('nothing was sent')), limit);
      this.#arrived = (bytes) => { clearTimeout(late); done(bytes); };
    });
    const [bytes] = await Promise.all([sent, act()]);
    this.#arrived = () => {};
    return bytes;
  }

  /**
   * The same where nothing may be sent: then it is a GET of `/nothing`. By the time that six more
   * requests were answered one after the other, what a form sends has come first: of 100 forms that
   * did send something none came later than two.
   */
  async sentAtAll(act) {
    return this.sent(async () => {
      await act();
      const ask = () => this.page.evaluate(async (origin) => {
        const last = { mode: 'no-cors' };
        for (let i = 0; i < 5; i += 1) await fetch(`${origin}/favicon.ico`, last);
        await fetch(`${origin}/nothing`, last);
      }, this.origin);
      // An address that is none leads to an empty page, and the one that was asked is gone.
      await ask().catch(ask).catch(ask);
    });
  }

  async close() {
    await this.page.close();
    this.server.closeAllConnections();
    this.server.close();
  }

  #answer(request, response) {
    const parts = [];
    request.on('data', (part) => parts.push(part));
    request.on('end', () => {
      if (request.method === 'GET' && request.url === PATH) {
        response.writeHead(200, { 'content-type': this.#served.type });
        response.end(this.#served.bytes);
        return;
      }
      response.writeHead(204);
      response.end();
      if (request.url === '/favicon.ico') return;
      const type = request.headers['content-type'] ?? '-';
      this.#arrived(written(request.method, request.url, type, Buffer.concat(parts)));
    });
  }
}

/** A request as it is compared and recorded. */
export function written(method, target, type, body) {
  const boundary = /^multipart\/form-data; boundary=(.+)$/.exec(type)?.[1];
  const text = `${method} ${target}\n${type}\n\n${body.toString('latin1')}`;
  return Buffer.from(boundary ? text.replaceAll(boundary, BOUNDARY) : text, 'latin1');
}

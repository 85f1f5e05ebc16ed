// A settings server that nobody of this project wrote: the W3C Web of Things reference server,
// which exposes a thing with a flag, a number and a text. It restarts for real: its action closes
// the server and opens a new one on the same port a little later.
//
// usage: node server.mjs [PORT]     The first line on stdout is the port. On stdin the line `truth`
// asks for the real values, `writes` for the names of what was written so far, in that order; each
// is answered by one line of JSON. Ends when stdin closes.

import { createServer } from "node:net";
import { createInterface } from "node:readline";
import known from "ajv-formats/dist/formats.js";

// The server's own schema names a format that its schema checker lacks, and the checker says so
// dozens of times at each start. Taught before the server is loaded, it accepts any text there,
// as it does without.
known.fullFormats["iri-reference"] = true;
known.formatNames.push("iri-reference");

const { Servient } = (await import("@node-wot/core")).default;
const { HttpServer } = (await import("@node-wot/binding-http")).default;

const values = {
  modelLock: true,
  slot: 7,
  name: "Bittern",
  firmware: "3.2.1",
  serial: "WT-0042",
  boots: 1,
};
const writes = [];

const property = (type, more = {}) => ({ type, readOnly: false, ...more });
const description = {
  title: "Loaner",
  securityDefinitions: { nosec: { scheme: "nosec" } },
  security: "nosec",
  properties: {
    modelLock: property("boolean"),
    slot: property("integer", { minimum: 1, maximum: 40 }),
    name: property("string", { maxLength: 24 }),
    firmware: property("string", { readOnly: true }),
    serial: property("string", { readOnly: true }),
    boots: property("integer", { readOnly: true }),
  },
  actions: { again: {} },
};

const port = Number(process.argv[2] ?? 0) || (await freePort());
let servient = await open();
console.log(port);

createInterface({ input: process.stdin })
  .on("line", (line) => {
    if (line === "truth") console.log(JSON.stringify(values));
    if (line === "writes") console.log(JSON.stringify(writes));
  })
  .on("close", () => process.exit(0));

async function open() {
  const servient = new Servient();
  // Without a base address the description lists every other address of the machine.
  const baseUri = `http://127.0.0.1:${port}`;
  servient.addServer(new HttpServer({ port, address: "127.0.0.1", baseUri }));
  const wot = await servient.start();
  const thing = await wot.produce(description);
  for (const name of Object.keys(description.properties)) {
    thing.setPropertyReadHandler(name, async () => values[name]);
    if (!description.properties[name].readOnly) {
      thing.setPropertyWriteHandler(name, async (input) => {
        values[name] = await input.value();
        writes.push(name);
      });
    }
  }
  thing.setActionHandler("again", async () => {
    setTimeout(restart, 200);
  });
  await thing.expose();
  return servient;
}

async function restart() {
  await servient.shutdown();
  values.boots += 1;
  setTimeout(async () => {
    servient = await open();
  }, 500);
}

function freePort() {
  return new Promise((resolve) => {
    const server = createServer().listen(0, "127.0.0.1", () => {
      const { port } = server.address();
      server.close(() => resolve(port));
    });
  });
}

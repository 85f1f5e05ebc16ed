// Pages of random controls, nesting, attributes and charsets, each from its seed alone.
//
// A page is a list of pieces, so that one that fails can be made smaller by leaving pieces out.
// What deviations.json names as not generated is left out here: there the browser is known to do
// something else than the standard says.

/** A generator of numbers (mulberry32, public domain, from memory). */
export class Dice {
  constructor(seed) { this.state = seed >>> 0; }

  next() {
    this.state = (this.state + 0x6d2b79f5) >>> 0;
    let t = this.state;
    t = Math.imul(t ^ (t >>> 15), t | 1);
    t ^= t + Math.imul(t ^ (t >>> 7), t | 61);
    return (t ^ (t >>> 14)) >>> 0;
  }

  below(limit) { return this.next() % limit; }
  chance(percent) { return this.below(100) < percent; }
  one(list) { return list[this.below(list.length)]; }
}

/** The number that page `index` of `seed` begins with. */
export function seedOf(seed, index) { return Math.imul(seed, 0x9e3779b1) + Math.imul(index + 1, 0x85ebca6b); }

/** A page: its content type, its charset, and its pieces. */
export function generate(dice) {
  const charset = dice.one(CHARSETS);
  const told = charset.bom ? 'bom' : dice.one(['header', 'header', 'meta', 'http-equiv']);
  const type = told === 'header' ? `text/html; charset=${dice.one(charset.labels)}` : 'text/html';
  const pieces = [];
  if (dice.chance(80)) pieces.push('<!doctype html>');
  if (told === 'meta') pieces.push(`<meta charset="${dice.one(charset.labels)}">`);
  if (told === 'http-equiv') pieces.push(`<meta http-equiv=Content-Type content='text/html; charset=${dice.one(charset.labels)}'>`);
  if (dice.chance(15)) pieces.push(`<base href="${dice.one(BASES)}">`);
  const head = pieces.length;
  const page = new Page(dice, pieces, charset.name);
  const forms = 1 + dice.below(3);
  for (let i = 0; i < forms; i += 1) {
    page.flow(2);
    page.form();
  }
  page.flow(2);
  const body = pieces.splice(head);
  if (dice.chance(55)) spoil(dice, body);
  pieces.push(...body);
  return { type, charset: charset.name, pieces };
}

/** The bytes of pieces in a charset; a character that it has no single byte for becomes `&#N;`. */
export function bytesOf({ charset, pieces }) {
  const text = pieces.join('');
  if (charset.startsWith('utf-16')) {
    const units = Buffer.from(`\ufeff${text.replaceAll(RAW, 'x')}`, 'utf16le');
    return charset === 'utf-16be' ? units.swap16() : units;
  }
  const unicode = charset.startsWith('utf-8');
  const table = singleBytes(charset);
  const bytes = charset === 'utf-8-bom' ? [0xef, 0xbb, 0xbf] : [];
  for (const character of text) {
    const code = character.codePointAt(0);
    const byte = code < 0x80 ? code : table.get(character);
    if (code >= 0xf780 && code <= 0xf7ff) bytes.push(code - 0xf700);
    else if (byte !== undefined) bytes.push(byte);
    else bytes.push(...Buffer.from(unicode ? character : `&#${code};`, 'utf8'));
  }
  return Buffer.from(bytes);
}

/** Characters that stand for one byte from 0x80 on, whatever it means in the page's charset. */
const RAW = /[\uf780-\uf7ff]/g;

/** Does to a page what badly written programs do: tags that are missing, doubled or misplaced. */
function spoil(dice, pieces) {
  const times = 1 + dice.below(6);
  for (let i = 0; i < times; i += 1) {
    const at = dice.below(pieces.length + 1);
    const tags = pieces.map((piece, index) => [piece, index]).filter(([piece]) => piece.startsWith('</'));
    switch (dice.below(5)) {
      case 0:
      case 1:
        if (tags.length > 0) pieces.splice(dice.one(tags)[1], 1);
        break;
      case 2:
        pieces.splice(at, 0, dice.one(STRAYS));
        break;
      case 3:
        if (at < pieces.length) {
          const [piece] = pieces.splice(at, 1);
          pieces.splice(dice.below(pieces.length + 1), 0, piece);
        }
        break;
      default:
        if (tags.length > 0) pieces.splice(at, 0, dice.one(tags)[0]);
    }
  }
}

class Page {
  constructor(dice, pieces, charset) {
    this.dice = dice;
    this.charset = charset;
    this.pieces = pieces;
    this.controls = 0;
    this.forms = 0;
    // A page has one or the other: see `plain-by-button` in deviations.json.
    const plain = dice.chance(50);
    this.enctypes = plain ? ENCTYPES : ENCTYPES.filter((word) => word.toLowerCase() !== 'text/plain');
    this.formmethods = plain ? [] : METHODS;
  }

  push(piece) { this.pieces.push(piece); }

  /** A text of any kind, also bytes that may be none in the page's charset. */
  text() {
    const { dice } = this;
    if (this.charset === 'ascii' || !dice.chance(12)) return dice.one(TEXTS);
    return Array.from({ length: 2 + dice.below(5) }, () => (
      dice.chance(85) ? String.fromCharCode(0xf780 + dice.below(128)) : dice.one(['a', '=', '~', '0', '\\', ' '])
    )).join('');
  }

  /** An attribute in one of the ways of writing it; without a value it is bare. */
  attribute(name, value) {
    const shown = this.dice.chance(10) ? name.toUpperCase() : name;
    if (value === undefined) return this.dice.chance(70) ? ` ${shown}` : ` ${shown}=""`;
    const escaped = value.replaceAll('&', '&amp;').replaceAll('"', '&quot;').replaceAll('\r', '&#13;').replaceAll('\0', '&#0;');
    if (/^[\w.\-/#]+$/.test(value) && this.dice.chance(40)) return ` ${shown}=${value}`;
    if (!value.includes("'") && this.dice.chance(30)) return ` ${shown}='${escaped.replaceAll('&quot;', '"')}'`;
    return ` ${shown}="${escaped}"`;
  }

  tag(name, attributes) { this.push(`<${this.dice.chance(8) ? name.toUpperCase() : name}${attributes}>`); }
  close(name) { this.push(`</${name}>`); }

  form() {
    const { dice } = this;
    this.forms += 1;
    let attributes = this.attribute('id', dice.chance(5) ? 'f1' : `f${this.forms}`);
    if (dice.chance(75)) attributes += this.attribute('action', dice.one(ACTIONS));
    if (dice.chance(85)) attributes += this.attribute('method', dice.one(METHODS));
    if (dice.chance(70)) attributes += this.attribute('enctype', dice.one(this.enctypes));
    if (dice.chance(15)) attributes += this.attribute('accept-charset', dice.one(ACCEPTED));
    if (dice.chance(10)) attributes += this.attribute('dir', dice.one(DIRECTIONS));
    if (dice.chance(20)) {
      // As many device pages have it: a form that begins between a table and its rows.
      this.push('<table>');
      this.tag('form', attributes);
      this.rows(2);
      this.close('form');
      this.push('</table>');
      return;
    }
    this.tag('form', attributes);
    this.flow(3);
    this.button();
    this.close('form');
  }

  rows(depth) {
    const rows = 1 + this.dice.below(3);
    for (let i = 0; i < rows; i += 1) {
      this.push('<tr>');
      if (this.dice.chance(15)) this.control();
      this.push('<td>');
      this.flow(depth - 1);
      if (this.dice.chance(80)) this.close('td');
      if (this.dice.chance(80)) this.close('tr');
    }
  }

  flow(depth) {
    const { dice } = this;
    const items = dice.below(5);
    for (let i = 0; i < items; i += 1) {
      const kind = depth > 0 ? dice.below(100) : 0;
      if (kind < 55) this.control();
      else if (kind < 62) this.button();
      else if (kind < 72) this.fieldset(depth);
      else if (kind < 80) { this.push('<table>'); this.rows(depth); this.close('table'); }
      else if (kind < 83) this.push(dice.one(TEXTS));
      else if (kind < 86) this.wrapped('noscript', depth, '');
      else if (kind < 88) this.wrapped('template', depth, '');
      else if (kind < 90) this.form();
      else this.wrapped(dice.one(WRAPS), depth, dice.chance(10) ? this.attribute('dir', dice.one(DIRECTIONS)) : '');
    }
  }

  wrapped(name, depth, attributes) {
    this.tag(name, attributes);
    this.flow(depth - 1);
    this.close(name);
  }

  fieldset(depth) {
    const { dice } = this;
    this.tag('fieldset', dice.chance(50) ? this.attribute('disabled') : '');
    if (dice.chance(30)) this.control();
    const legends = dice.below(3);
    for (let i = 0; i < legends; i += 1) {
      this.push('<legend>');
      this.flow(depth - 1);
      this.close('legend');
    }
    this.flow(depth - 1);
    this.close('fieldset');
  }

  name() {
    const { dice } = this;
    this.controls += 1;
    if (dice.chance(4)) return '';
    if (dice.chance(3)) return this.attribute('name', '');
    if (dice.chance(25)) return this.attribute('name', dice.one(NAMES));
    return this.attribute('name', `c${this.controls}`);
  }

  /** What any control may have. */
  common() {
    const { dice } = this;
    let attributes = '';
    if (dice.chance(8)) attributes += this.attribute('disabled');
    if (dice.chance(8)) attributes += this.attribute('form', dice.one(['f1', 'f2', 'f3', 'nobody', '', 'F1', 'para']));
    if (dice.chance(3)) attributes += this.attribute('readonly');
    if (dice.chance(3)) attributes += this.attribute('required');
    if (dice.chance(3)) attributes += this.attribute('maxlength', dice.one(['0', '3', 'x']));
    if (dice.chance(2)) attributes += this.attribute('hidden');
    if (dice.chance(2)) attributes += this.attribute('id', dice.one(['f1', 'f2', 'para']));
    return attributes;
  }

  direction() {
    const { dice } = this;
    if (!dice.chance(8)) return '';
    return this.attribute('dirname', dice.one(DIRNAMES)) + (dice.chance(50) ? this.attribute('dir', dice.one(DIRECTIONS)) : '');
  }

  control() {
    const { dice } = this;
    const kind = dice.below(100);
    if (kind < 15) this.select();
    else if (kind < 25) this.area();
    else if (kind < 40) this.boxes();
    else this.line();
  }

  line() {
    const { dice } = this;
    const [type, values] = dice.one(LINES);
    let attributes = dice.chance(90) ? this.attribute('type', type) : '';
    if (dice.chance(5)) attributes = this.attribute('type', type.toUpperCase());
    const name = this.name();
    attributes += name;
    if (dice.chance(85)) attributes += this.attribute('value', dice.chance(85) && values !== TEXTS ? dice.one(values) : this.text());
    if (['number', 'range'].includes(type)) {
      for (const bound of ['min', 'max', 'step']) {
        if (dice.chance(35)) attributes += this.attribute(bound, dice.one(BOUNDS));
      }
    }
    if (dice.chance(5)) attributes += this.attribute('multiple');
    if (['hidden', 'text', 'search', 'tel', 'url', 'email', 'password'].includes(type) && !/_charset_/i.test(name)) attributes += this.direction();
    this.tag('input', attributes + this.common());
  }

  boxes() {
    const { dice } = this;
    const type = dice.one(['checkbox', 'radio', 'radio']);
    const name = this.name();
    const count = 1 + dice.below(3);
    for (let i = 0; i < count; i += 1) {
      let attributes = this.attribute('type', type) + name;
      if (dice.chance(80)) attributes += this.attribute('value', this.text());
      const checked = dice.chance(40);
      if (checked) attributes += this.attribute('checked');
      let common = this.common();
      // See `radio-sent-elsewhere` in deviations.json.
      while (checked && type === 'radio' && / form\b/i.test(common)) common = this.common();
      this.tag('input', attributes + common);
    }
  }

  area() {
    const { dice } = this;
    this.tag('textarea', this.name() + this.direction() + this.common());
    const lines = dice.below(4);
    for (let i = 0; i < lines; i += 1) {
      const text = this.text().replaceAll('&', '&amp;').replaceAll('<', '&lt;').replaceAll('\0', '');
      this.push((dice.chance(40) ? dice.one(['\n', '\r\n', '\r', '&#13;', '&#10;']) : '') + text);
    }
    this.close('textarea');
  }

  select() {
    const { dice } = this;
    let attributes = this.name();
    if (dice.chance(35)) attributes += this.attribute('multiple');
    if (dice.chance(20)) attributes += this.attribute('size', dice.one(['0', '1', '2', '4', 'x', '-1', '+3', ' 2 rows']));
    this.tag('select', attributes + this.common());
    const options = dice.below(5);
    for (let i = 0; i < options; i += 1) {
      const group = dice.chance(15);
      if (group) this.tag('optgroup', dice.chance(40) ? this.attribute('disabled') : '');
      this.option();
      if (group && dice.chance(80)) this.close('optgroup');
      if (dice.chance(4)) this.push(dice.one(['<hr>', '<b>', '</b>', '<!-- x -->', '<script>x</script>', '<div>', '</div>', '<p>']));
    }
    this.close('select');
  }

  option() {
    const { dice } = this;
    let attributes = '';
    if (dice.chance(60)) attributes += this.attribute('value', this.text());
    if (dice.chance(25)) attributes += this.attribute('selected');
    if (dice.chance(15)) attributes += this.attribute('disabled');
    if (dice.chance(10)) attributes += this.attribute('label', 'shown');
    this.tag('option', attributes);
    this.push(dice.one(['one', '  two\n words ', '', 'a\tb', 'é日', '\u00a0x\u00a0', '<b>bold</b> text', 'x<!-- y -->z', '&lt;&amp;']));
    if (dice.chance(50)) this.close('option');
  }

  button() {
    const { dice } = this;
    this.controls += 1;
    let attributes = dice.chance(85) ? this.attribute('name', `b${this.controls}`) : '';
    if (dice.chance(70)) attributes += this.attribute('value', this.text());
    if (dice.chance(15)) attributes += this.attribute('formaction', dice.one(ACTIONS));
    if (dice.chance(15) && this.formmethods.length > 0) attributes += this.attribute('formmethod', dice.one(this.formmethods));
    if (dice.chance(15)) attributes += this.attribute('formenctype', dice.one(this.enctypes));
    attributes += this.common();
    if (dice.chance(50)) {
      this.tag('input', this.attribute('type', dice.one(['submit', 'submit', 'submit', 'image', 'reset', 'button'])) + attributes);
      return;
    }
    const types = ['submit', 'reset', 'button', 'odd', ''];
    this.tag('button', (dice.chance(40) ? this.attribute('type', dice.one(types)) : '') + attributes);
    this.push(dice.one(['Keep', '<b>Keep</b>', '']));
    if (dice.chance(90)) this.close('button');
  }
}

const tables = new Map();

/** Which character has which single byte in a charset, for the bytes from 0x80 on. */
function singleBytes(charset) {
  if (!tables.has(charset)) {
    const table = new Map();
    if (/^(windows|iso-8859|koi8|ibm866|macintosh)/.test(charset)) {
      const decoder = new TextDecoder(charset);
      for (let byte = 0x80; byte <= 0xff; byte += 1) {
        const character = decoder.decode(Uint8Array.of(byte));
        if (character !== '\ufffd') table.set(character, byte);
      }
    }
    tables.set(charset, table);
  }
  return tables.get(charset);
}

const CHARSETS = [
  { name: 'utf-8', labels: ['utf-8', 'UTF-8', 'utf8'] },
  { name: 'utf-8', labels: ['utf-8'] },
  { name: 'utf-8', labels: ['utf-8'] },
  { name: 'windows-1252', labels: ['iso-8859-1', 'latin1', 'us-ascii', 'windows-1252'] },
  { name: 'windows-1252', labels: ['windows-1252'] },
  { name: 'iso-8859-2', labels: ['iso-8859-2'] },
  { name: 'iso-8859-15', labels: ['iso-8859-15'] },
  { name: 'windows-1251', labels: ['windows-1251', 'cp1251'] },
  { name: 'koi8-r', labels: ['koi8-r'] },
  { name: 'macintosh', labels: ['macintosh'] },
  { name: 'shift_jis', labels: ['shift_jis', 'sjis'] },
  { name: 'euc-jp', labels: ['euc-jp'] },
  { name: 'gbk', labels: ['gbk', 'gb2312'] },
  { name: 'gb18030', labels: ['gb18030'] },
  { name: 'big5', labels: ['big5'] },
  { name: 'euc-kr', labels: ['euc-kr'] },
  { name: 'utf-16le', bom: true },
  { name: 'utf-16be', bom: true },
  { name: 'utf-8-bom', bom: true },
  // Nothing is declared, so that there must be nothing to guess from.
  { name: 'ascii', bom: true },
];
const NAMES = ['a', 'a', 'b', '_charset_', '_CHARSET_', 'isindex', 'a[]', 'a b', 'é', '日本', 'x"y', 'l\nm', 'c\rd', '%41', 'a&b=c', "q'"];
const TEXTS = [
  '', '1', 'on', 'Smew', 'Gänsesäger', 'Säger & Söhne', '<b>', '"quoted"', "it's", 'a+b=c', '100% %41', 'one\ntwo', 'x\r\ny\rz\n', ' spaced ', '\ttab',
  '日本', '📡 mast', 'Дом', 'ő€Œ', '~*-._!()', '\u00a0', '\u2028', 'שלום', 'مرحبا 12', '12 שלום', 'a\u0000b', '\u007f', 'ﬁ', 'e\u0301', '--boundary', '&amp;',
];
const NUMBERS = ['', '7', '-7', '007.50', '1e3', '1E-3', '1.', '.5', '-.5', '+1', ' 1', '1 ', '12abc', '1e400', '-0', '0', '00', '1,5', 'NaN', 'Infinity', '0x10', '1e', '2.50'];
const DATES = ['', '2024-02-29', '2023-02-29', '2024-2-9', '0001-01-01', '0000-12-31', '12345-06-07', '275760-09-13', '275760-09-14', '2024-13-01', ' 2024-01-01', '2024-01-01T00:00'];
const MONTHS = ['', '2024-02', '2024-00', '2024-13', '0001-01', '02024-02', '275760-09', '275760-10', '2024-2'];
const WEEKS = ['', '2020-W53', '2021-W53', '2021-W01', '2021-W00', '2021-w01', '0001-W01', '275760-W37', '275760-W38'];
const TIMES = ['', '00:00', '23:59', '24:00', '12:30:00', '12:30:45', '12:30:45.5', '12:30:45.500', '12:30:45.1234', '12:30:60', '1:30', '12:30 ', '12:60'];
const STAMPS = ['', '2024-02-29T12:30', '2024-02-29 12:30', '2024-02-29T12:30:00', '2024-02-29T12:30:45.500', '2024-02-29T12:30:45.050', '2023-02-29T12:30', '2024-02-29T12:30Z', '2024-02-29T24:00'];
const COLOURS = ['', '#ff0000', '#F0A', 'red', 'RED', 'rgb(1,2,3)', 'hsl(120 50% 50%)', 'transparent', '#12345', '#12345678', 'nonsense', ' #00ff00 ', 'ff0000'];
const RANGES = ['', '0', '7', '50', '99', '-5', '5.5', '2.5', 'x', '100.00', '+5', '1000'];
const MAILS = ['', 'a@b.c', ' a@b.c ', 'a@b.c , d@e.f', 'a\n@b.c', ',', ' , ', 'é@ü'];
const ADDRESSES = ['', 'http://x/', ' http://x/ ', 'ht\ntp://x', 'http://x/é b'];
const LINES = [
  ['text', TEXTS], ['text', TEXTS], ['text', TEXTS], ['hidden', TEXTS], ['hidden', TEXTS], ['search', TEXTS], ['tel', TEXTS], ['password', TEXTS],
  ['odd', TEXTS], ['', TEXTS], ['number', NUMBERS], ['number', NUMBERS], ['range', RANGES], ['range', RANGES], ['date', DATES], ['month', MONTHS],
  ['week', WEEKS], ['time', TIMES], ['datetime-local', STAMPS], ['color', COLOURS], ['email', MAILS], ['url', ADDRESSES], ['file', TEXTS], ['datetime', STAMPS],
];
const BOUNDS = ['0', '1', '10', '40', '100', '-10', '0.5', '3', '2.5', 'any', 'x', '', '-1'];
const ACTIONS = [
  '', '/keep', '/keep', 'keep?x=1', 'keep?x=1#frag', '#frag', '?only=query', '../up', './here/../there', ' /spaced ', '/in side', '/t\ta\nb', '/é?ü=日', '?é=ü&€',
  '/a%zz', '/a|b^c`{d}', '?a|b\'"<>`^{}', '\\back\\slash', '/%2e%2e/x', ';semi', '/a;b=c?d', '/x?y?z', '//', '/.', '/dir/', '/"q"', '/x?%41%', '/☃/📡',
];
const BASES = ['/else/where/', 'sub/', '/flat', '?q', '', 'data:,x', 'javascript:x', ' /spaced/ ', '/é/', '\\deep\\er\\'];
const METHODS = ['post', 'post', 'post', 'POST', 'get', 'Get', 'put', '', ' post'];
const ENCTYPES = [
  'multipart/form-data', 'multipart/form-data', 'Multipart/Form-Data', 'text/plain', 'TEXT/PLAIN', 'application/x-www-form-urlencoded', 'application/json', '', ' text/plain',
];
const ACCEPTED = ['utf-8', 'UTF-8', 'windows-1252', 'iso-8859-2 utf-8', 'odd koi8-r', 'utf-16', 'odd euc-kr', 'shift_jis'];
const DIRECTIONS = ['ltr', 'rtl', 'auto', 'odd', ''];
const DIRNAMES = ['d', 'a.dir', 'd"q', 'é'];
const WRAPS = ['div', 'p', 'span', 'b', 'i', 'a', 'ul', 'li', 'center', 'label', 'dl', 'font', 'bdi', 'details', 'dialog', 'section', 'h1', 'pre', 'nobr'];
const STRAYS = [
  '<form>', '</form>', '<form id=f2>', '<table>', '</table>', '<tr>', '<td>', '</td>', '<tbody>', '<caption>', '<select>', '</select>', '<option>', '<b>', '</b>', '<a>',
  '<p>', '</p>', '<div>', '</div>', '<fieldset disabled>', '</fieldset>', '<legend>', '</legend>', '<template>', '</template>', '<noscript>', '</noscript>', '<button>',
  '</button>', '<textarea>', '</textarea>', '<body>', '</body>', '</html>', '<html>', '<head>', '</head>', '<frameset>', '<svg>', '</svg>', '<math>', '<mi>', '<foreignObject>',
  '<!--', '-->', '<script>', '</script>', '<title>', '</title>', '<style>', '</style>', '<input', '">', "'>", '<', '&', '<![CDATA[', ']]>', '</br>', '<image>', '<nobr>',
  '<li>', '<optgroup>', '<hr>', '<colgroup>', '<col>', '<iframe>', '</iframe>', '<noframes>', '</noframes>', '<xmp>', '</xmp>', '<object>', '</object>', '<marquee>',
];

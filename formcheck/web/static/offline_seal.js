// The sealed file of one set, as `formcheck import` takes it: a zip without compression, with a
// manifest of sizes and checksums that carries a seal. A page that was opened as a file has no
// crypto.subtle in every browser, and that one takes a file in one piece only: hence our own sums.
const K = new Uint32Array(64);
const FIRST = new Uint32Array(8);
for (let n = 2, found = 0; found < 64; n += 1) {
  let isPrime = true;
  for (let d = 2; d * d <= n; d += 1) if (n % d === 0) { isPrime = false; break; }
  if (!isPrime) continue;
  const bits = (root) => Math.floor((root - Math.floor(root)) * 2 ** 32);
  if (found < 8) FIRST[found] = bits(Math.sqrt(n));
  K[found] = bits(Math.cbrt(n));
  found += 1;
}

export class Sha256 {
  #h = FIRST.slice();
  #w = new Uint32Array(64);
  #rest = new Uint8Array(64);
  #filled = 0;
  #bytes = 0;

  update(bytes) {
    this.#bytes += bytes.length;
    let at = 0;
    while (at < bytes.length) {
      const take = Math.min(64 - this.#filled, bytes.length - at);
      this.#rest.set(bytes.subarray(at, at + take), this.#filled);
      this.#filled += take;
      at += take;
      if (this.#filled === 64) { this.#block(); this.#filled = 0; }
    }
    return this;
  }

  #block() {
    const w = this.#w, h = this.#h, b = this.#rest;
    for (let i = 0; i < 16; i += 1) w[i] = (b[4 * i] << 24) | (b[4 * i + 1] << 16) | (b[4 * i + 2] << 8) | b[4 * i + 3];
    for (let i = 16; i < 64; i += 1) {
      const x = w[i - 15], y = w[i - 2];
      const s0 = ((x >>> 7) | (x << 25)) ^ ((x >>> 18) | (x << 14)) ^ (x >>> 3);
      const s1 = ((y >>> 17) | (y << 15)) ^ ((y >>> 19) | (y << 13)) ^ (y >>> 10);
      w[i] = (w[i - 16] + s0 + w[i - 7] + s1) | 0;
    }
    let [A, B, C, D, E, F, G, H] = h;
    for (let i = 0; i < 64; i += 1) {
      const s1 = ((E >>> 6) | (E << 26)) ^ ((E >>> 11) | (E << 21)) ^ ((E >>> 25) | (E << 7));
      const t1 = (H + s1 + ((E & F) ^ (~E & G)) + K[i] + w[i]) | 0;
      const s0 = ((A >>> 2) | (A << 30)) ^ ((A >>> 13) | (A << 19)) ^ ((A >>> 22) | (A << 10));
      const t2 = (s0 + ((A & B) ^ (A & C) ^ (B & C))) | 0;
      H = G; G = F; F = E; E = (D + t1) | 0; D = C; C = B; B = A; A = (t1 + t2) | 0;
    }
    h[0] += A; h[1] += B; h[2] += C; h[3] += D; h[4] += E; h[5] += F; h[6] += G; h[7] += H;
  }

  digest() {
    const bits = this.#bytes * 8;
    const end = new Uint8Array((this.#filled < 56 ? 64 : 128) - this.#filled);
    end[0] = 0x80;
    const view = new DataView(end.buffer);
    view.setUint32(end.length - 8, Math.floor(bits / 2 ** 32));
    view.setUint32(end.length - 4, bits >>> 0);
    this.update(end);
    const out = new Uint8Array(32);
    this.#h.forEach((word, i) => new DataView(out.buffer).setUint32(4 * i, word));
    return out;
  }
}

const utf8 = (text) => new TextEncoder().encode(text);
const hex = (bytes) => [...bytes].map((b) => b.toString(16).padStart(2, "0")).join("");

export function hmacHex(key, text) {
  let block = utf8(key);
  if (block.length > 64) block = new Sha256().update(block).digest();
  const pad = (value) => { const out = new Uint8Array(64).fill(value); block.forEach((b, i) => { out[i] ^= b; }); return out; };
  const inner = new Sha256().update(pad(0x36)).update(utf8(text)).digest();
  return hex(new Sha256().update(pad(0x5c)).update(inner).digest());
}

// The same text on both sides: names in order, nothing between, all of it ASCII.
export function canonical(value) {
  const ordered = (v) => (Array.isArray(v) ? v.map(ordered)
    : v !== null && typeof v === "object" ? Object.fromEntries(Object.keys(v).sort().map((k) => [k, ordered(v[k])])) : v);
  return JSON.stringify(ordered(value))
    .replace(/[\u007f-\uffff]/g, (c) => `\\u${c.charCodeAt(0).toString(16).padStart(4, "0")}`);
}

const CRC = new Uint32Array(256).map((_, n) => {
  let c = n;
  for (let k = 0; k < 8; k += 1) c = c & 1 ? (c >>> 1) ^ 0xedb88320 : c >>> 1;
  return c;
});

const AT_ONCE = 4_000_000;

async function summed(blob) {
  const sha = new Sha256();
  let crc = 0xffffffff;
  for (let at = 0; at < blob.size; at += AT_ONCE) {
    const bytes = new Uint8Array(await blob.slice(at, at + AT_ONCE).arrayBuffer());
    sha.update(bytes);
    for (let i = 0; i < bytes.length; i += 1) crc = CRC[(crc ^ bytes[i]) & 255] ^ (crc >>> 8);
    await new Promise((done) => setTimeout(done)); // the page answers meanwhile
  }
  return { blob, size: blob.size, sha256: hex(sha.digest()), crc: (crc ^ 0xffffffff) >>> 0 };
}

function zipHead(entry, isCentral) {
  const name = utf8(entry.name);
  const out = new Uint8Array((isCentral ? 46 : 30) + name.length);
  const view = new DataView(out.buffer);
  view.setUint32(0, isCentral ? 0x02014b50 : 0x04034b50, true);
  let at = 4;
  if (isCentral) { view.setUint16(at, 20, true); at += 2; }
  for (const [value, n] of [[20, 2], [0, 2], [0, 2], [0, 2], [0x21, 2], [entry.crc, 4], [entry.size, 4], [entry.size, 4], [name.length, 2], [0, 2]]) {
    if (n === 2) view.setUint16(at, value, true); else view.setUint32(at, value, true);
    at += n;
  }
  if (isCentral) view.setUint32(42, entry.at, true);
  out.set(name, isCentral ? 46 : 30);
  return out;
}

function zipOf(entries) {
  const parts = [], central = [];
  let at = 0;
  for (const entry of entries) {
    entry.at = at;
    const head = zipHead(entry, false);
    parts.push(head, entry.blob);
    central.push(zipHead(entry, true));
    at += head.length + entry.size;
  }
  const size = central.reduce((n, c) => n + c.length, 0);
  const end = new DataView(new ArrayBuffer(22));
  end.setUint32(0, 0x06054b50, true);
  end.setUint16(8, entries.length, true);
  end.setUint16(10, entries.length, true);
  end.setUint32(12, size, true);
  end.setUint32(16, at, true);
  return new Blob([...parts, ...central, end.buffer], { type: "application/octet-stream" });
}

export const newId = () => hex(crypto.getRandomValues(new Uint8Array(16)));
export const nowUtc = () => `${new Date().toISOString().slice(0, 19)}+00:00`;

// The file of a set. about : what stands in set.json. Bytes are read piece by piece.
export async function sealedSet(facts, about, recording, suffix) {
  const files = [
    { name: "set.json", ...await summed(new Blob([JSON.stringify(about)])) },
    { name: `recording${suffix}`, ...await summed(recording) },
  ];
  const manifest = {
    schema: facts.schema, kind: "set", id: newId(), patient: facts.patient, made_at: nowUtc(), made_by: facts.madeBy,
    files: files.map(({ name, size, sha256 }) => ({ name, bytes: size, sha256 })),
  };
  manifest.seal = hmacHex(facts.key, canonical(manifest));
  return zipOf([{ name: "manifest.json", ...await summed(new Blob([JSON.stringify(manifest)])) }, ...files]);
}

// A recording on its way to the program on this computer, a numbered piece at a time. A piece is
// sent until it is known to be on the disk; one sent twice changes nothing.
import { _ } from "./words.js";
import { formToken } from "./site.js";

const GIVE_UP_MS = 60000;
const pause = (ms) => new Promise((done) => setTimeout(done, ms));

export async function askServer(path, method, body, kind) {
  const headers = { "x-formcheck-token": formToken() };
  if (kind) headers["content-type"] = kind;
  const answer = await fetch(path, { method, headers, body, cache: "no-store" });
  let told = {};
  try { told = await answer.json(); } catch { /* a refusal may be plain text */ }
  if (!answer.ok) {
    const error = new Error(told.error || _("The program on this computer refused it."));
    error.status = answer.status;
    error.next = told.next;
    throw error;
  }
  return told;
}

async function checksum(bytes) {
  const digest = await crypto.subtle.digest("SHA-256", bytes);
  return Array.from(new Uint8Array(digest), (b) => b.toString(16).padStart(2, "0")).join("");
}

export class Upload {
  #about;
  #uid = null;
  #sent = [];
  #next = 0; // the first piece that is not known to be on the disk
  #goodAt = performance.now();
  #pump = null;
  failure = null;

  constructor(about) {
    this.#about = about;
    this.#pumped().catch(() => { /* told where it is waited for */ });
  }

  // Repeats what the network or a restart broke; a refusal is final.
  async #patiently(work) {
    const from = performance.now();
    for (let wait = 400; ; wait = Math.min(wait * 2, 5000)) {
      try { return await work(); } catch (error) {
        const isDamaged = error.status === 400 && error.message.includes("damaged");
        error.isFinal = Boolean(error.status) && error.status < 500 && !isDamaged;
        if (error.isFinal || performance.now() - Math.max(from, this.#goodAt) > GIVE_UP_MS) throw error;
        await pause(wait);
      }
    }
  }

  async #catchUp() {
    if (this.#uid === null) this.#uid = (await askServer("/my/uploads", "POST", JSON.stringify(this.#about), "application/json")).uid;
    while (this.#next < this.#sent.length) {
      await this.#sendPiece(this.#next);
      this.#next += 1;
      this.#goodAt = performance.now();
    }
  }

  // One goes up at a time. What was given up after a while is taken up again by the next piece, or
  // by the end; what was refused is not.
  #pumped() {
    if (this.failure?.isFinal) return Promise.reject(this.failure);
    this.#pump ??= this.#patiently(() => this.#catchUp())
      .then(() => { this.failure = null; }, (error) => { this.failure = error; throw error; })
      .finally(() => { this.#pump = null; });
    return this.#pump;
  }

  async #sendPiece(n) {
    const bytes = await this.#sent[n].arrayBuffer();
    const sha256 = await checksum(bytes);
    await askServer(`/my/uploads/${this.#uid}/pieces?n=${n}&sha256=${sha256}`, "PUT", bytes, "application/octet-stream");
  }

  get uid() { return this.#uid; }

  send(blob) {
    this.#sent.push(blob);
    return this.#pumped();
  }

  async finish() {
    try { await this.#pump; } catch { /* tried once more below */ }
    await this.#pumped();
    return this.#patiently(async () => {
      try { return await this.#finish(); } catch (error) {
        if (error.status !== 409) throw error;
        // The disk lost the end after all: what is here still goes up again.
        this.#next = error.next;
        await this.#catchUp();
        return this.#finish();
      }
    });
  }

  #finish() {
    return askServer(`/my/uploads/${this.#uid}/finish`, "POST");
  }
}

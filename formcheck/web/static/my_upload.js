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
  #uid = null;
  #sent = [];
  #queue;
  failure = null;

  constructor(about) {
    this.#queue = this.#patiently(async () => {
      const begun = await askServer("/my/uploads", "POST", JSON.stringify(about), "application/json");
      this.#uid = begun.uid;
    });
  }

  // Repeats what the network or a restart broke; a refusal is final.
  async #patiently(work) {
    const until = performance.now() + GIVE_UP_MS;
    for (let wait = 400; ; wait = Math.min(wait * 2, 5000)) {
      try { return await work(); } catch (error) {
        const isDamaged = error.status === 400 && error.message.includes("damaged");
        if ((error.status && error.status < 500 && !isDamaged) || performance.now() > until) throw error;
        await pause(wait);
      }
    }
  }

  #then(work) {
    this.#queue = this.#queue.then(() => this.#patiently(work));
    this.#queue.catch((error) => { this.failure ??= error; });
    return this.#queue;
  }

  async #sendPiece(n) {
    const bytes = await this.#sent[n].arrayBuffer();
    const sha256 = await checksum(bytes);
    await askServer(`/my/uploads/${this.#uid}/pieces?n=${n}&sha256=${sha256}`, "PUT", bytes, "application/octet-stream");
  }

  get uid() { return this.#uid; }

  send(blob) {
    const n = this.#sent.push(blob) - 1;
    return this.#then(() => this.#sendPiece(n));
  }

  finish() {
    return this.#then(async () => {
      try { return await this.#finish(); } catch (error) {
        if (error.status !== 409) throw error;
        // The disk lost the end after all: what is here still goes up again.
        for (let n = error.next; n < this.#sent.length; n += 1) await this.#sendPiece(n);
        return this.#finish();
      }
    });
  }

  #finish() {
    return askServer(`/my/uploads/${this.#uid}/finish`, "POST");
  }

  discard() {
    return this.#then(() => askServer(`/my/uploads/${this.#uid}/discard`, "POST"));
  }
}

// What this page keeps on the phone: what was said, the sets, and their recordings piece by piece,
// each on the disk before the next comes. A browser that keeps nothing for a page from a file is
// told; all is then in memory alone.
const PIECES = (uid) => IDBKeyRange.bound([uid, 0], [uid, Infinity]);

export class Store {
  #base = null;
  #memory = { log: [], sets: new Map(), pieces: new Map() };

  get isKept() { return this.#base !== null; }

  async open(name) {
    try {
      this.#base = await new Promise((done, fail) => {
        const asked = indexedDB.open(name, 1);
        asked.onupgradeneeded = () => {
          asked.result.createObjectStore("log", { autoIncrement: true });
          asked.result.createObjectStore("sets", { keyPath: "uid" });
          asked.result.createObjectStore("pieces");
        };
        asked.onsuccess = () => done(asked.result);
        asked.onerror = asked.onblocked = () => fail(asked.error);
      });
      navigator.storage?.persist?.().catch(() => {});
    } catch { this.#base = null; }
    return this;
  }

  // One change on the disk; settles when it is there. change(stores) gives a request or nothing.
  #do(names, mode, change) {
    return new Promise((done, fail) => {
      const of = this.#base.transaction(names, mode, { durability: "strict" });
      const asked = change(...names.map((n) => of.objectStore(n)));
      of.oncomplete = () => done(asked?.result);
      of.onerror = of.onabort = () => fail(of.error ?? new Error("not kept"));
    });
  }

  async log() {
    if (!this.#base) return this.#memory.log.map((entry) => ({ ...entry }));
    const keys = await this.#do(["log"], "readonly", (log) => log.getAllKeys());
    const values = await this.#do(["log"], "readonly", (log) => log.getAll());
    return values.map((value, i) => ({ ...value, key: keys[i] }));
  }

  async say(entry) {
    if (!this.#base) { this.#memory.log.push({ ...entry, key: this.#memory.log.length + 1 }); return this.#memory.log.length; }
    return this.#do(["log"], "readwrite", (log) => log.add(entry));
  }

  async resay({ key, ...entry }) {
    if (!this.#base) { this.#memory.log[key - 1] = { ...entry, key }; return; }
    await this.#do(["log"], "readwrite", (log) => log.put(entry, key));
  }

  async sets() {
    return this.#base ? this.#do(["sets"], "readonly", (sets) => sets.getAll()) : [...this.#memory.sets.values()];
  }

  async keepSet(of) {
    if (!this.#base) { this.#memory.sets.set(of.uid, of); return; }
    await this.#do(["sets"], "readwrite", (sets) => sets.put(of));
  }

  async piece(uid, n, blob) {
    if (!this.#base) { this.#memory.pieces.set(uid, [...(this.#memory.pieces.get(uid) ?? []), blob]); return; }
    const bytes = await blob.arrayBuffer();
    await this.#do(["pieces"], "readwrite", (pieces) => { pieces.put(bytes, [uid, n]); });
  }

  // The recording as far as it is here: pieces without a gap from the first one.
  async recording(uid, type) {
    if (!this.#base) return new Blob(this.#memory.pieces.get(uid) ?? [], { type });
    const keys = await this.#do(["pieces"], "readonly", (pieces) => pieces.getAllKeys(PIECES(uid)));
    const parts = [];
    for (const [i, key] of keys.entries()) {
      if (key[1] !== i) break;
      // A blob of its own for each piece: a browser may put it on the disk, and not in memory.
      parts.push(new Blob([await this.#do(["pieces"], "readonly", (pieces) => pieces.get(key))]));
    }
    return new Blob(parts, { type });
  }

  async drop(uid) {
    // What was said with a set that is thrown away stays, and travels with the next one.
    for (const entry of await this.log()) if (entry.of === uid) await this.resay({ ...entry, of: null });
    await this.forget(uid);
  }

  async forget(uid) {
    if (!this.#base) { this.#memory.sets.delete(uid); this.#memory.pieces.delete(uid); return; }
    await this.#do(["sets", "pieces"], "readwrite", (sets, pieces) => { sets.delete(uid); pieces.delete(PIECES(uid)); });
  }
}

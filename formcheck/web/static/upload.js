// A recording goes up in pieces; each is safe on the disk before the next one is sent.
import { formToken } from "/static/site.js";

export const PIECE_BYTES = 4 * 1024 * 1024;

export async function ask(method, path, body, type) {
  const headers = { "X-Formcheck-Token": formToken() };
  if (type) headers["Content-Type"] = type;
  const answer = await fetch(path, { method, headers, body, cache: "no-store" }).catch(() => {
    throw new Error("formcheck does not answer. Is it still running?");
  });
  const found = await answer.json().catch(() => ({ error: `This did not work (${answer.status}).` }));
  if (!answer.ok) throw new Error(found.error || `This did not work (${answer.status}).`);
  return found;
}

export const begin = (at, about) => ask("POST", at, JSON.stringify(about), "application/json");
export const sendPiece = (at, uid, n, blob) => ask("PUT", `${at}/${uid}/pieces?n=${n}`, blob, "application/octet-stream");
export const finish = (at, uid) => ask("POST", `${at}/${uid}/finish`, "{}", "application/json");

export async function sendFile(at, about, file, told) {
  const { uid } = await begin(at, { ...about, file_name: file.name });
  for (let n = 0; n * PIECE_BYTES < file.size; n += 1) {
    await sendPiece(at, uid, n, file.slice(n * PIECE_BYTES, (n + 1) * PIECE_BYTES));
    told(Math.min(1, ((n + 1) * PIECE_BYTES) / file.size));
  }
  return finish(at, uid);
}

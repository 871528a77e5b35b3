// The camera, and the live look at what it sees: small pictures to the program on this computer,
// the next one when the last is answered.
import { _ } from "./words.js";
const WIDTH = 480;
const LEAST_GAP_MS = 150;

export async function openCamera(video) {
  const stream = await navigator.mediaDevices.getUserMedia({
    audio: false,
    video: { width: { ideal: 1280 }, height: { ideal: 720 }, frameRate: { ideal: 30 } },
  });
  video.srcObject = stream;
  await video.play();
  return stream;
}

export const cameraTrouble = (error) => ({
  NotAllowedError: _("The browser may not use the camera. Allow it in the address bar, and try again."),
  NotFoundError: _("No camera was found. Plug one in, or send a clip from your phone instead."),
  NotReadableError: _("Another program uses the camera. Close it, and try again."),
}[error.name] || _("The camera could not be started."));

export class Look {
  #socket = null;
  #video;
  #timer = null;
  #sentAt = 0;
  #notBefore = 0;
  #isWaiting = true;
  #canvas = document.createElement("canvas");
  delays = [];

  // tell(answer) for each picture; lost() when the connection is gone and this is not closed.
  constructor(video, about, tell, lost) {
    this.#video = video;
    const socket = new WebSocket(`${location.protocol === "https:" ? "wss" : "ws"}://${location.host}/my/live?${new URLSearchParams(about)}`);
    this.#socket = socket;
    socket.addEventListener("message", (event) => {
      const answer = JSON.parse(event.data);
      this.#isWaiting = false;
      if (answer.ready || answer.error) return;
      // A slow machine is left room: recording well matters more than looking often.
      const at = performance.now();
      const delay = at - this.#sentAt;
      this.delays.push(delay);
      this.#notBefore = Math.max(this.#sentAt + LEAST_GAP_MS, at + 0.5 * delay);
      tell(answer);
    });
    socket.addEventListener("close", () => {
      clearInterval(this.#timer);
      if (this.#socket) { this.#socket = null; lost(); }
    });
    this.#timer = setInterval(() => this.#send(), 40);
  }

  // When the picture was taken that was answered last.
  get takenAt() { return this.#sentAt; }

  get isOpen() { return this.#socket !== null; }

  #send() {
    const video = this.#video;
    const at = performance.now();
    if (this.#isWaiting || !this.#socket || at < this.#notBefore || !video.videoWidth) return;
    const scale = WIDTH / Math.max(video.videoWidth, video.videoHeight);
    const width = Math.round(video.videoWidth * scale);
    const height = Math.round(video.videoHeight * scale);
    const canvas = this.#canvas;
    if (canvas.width !== width || canvas.height !== height) { canvas.width = width; canvas.height = height; }
    const drawing = canvas.getContext("2d", { willReadFrequently: true });
    drawing.drawImage(video, 0, 0, width, height);
    const pixels = drawing.getImageData(0, 0, width, height).data;
    const message = new Uint8Array(12 + pixels.length);
    const header = new DataView(message.buffer);
    header.setFloat64(0, at, true);
    header.setUint16(8, width, true);
    header.setUint16(10, height, true);
    message.set(pixels, 12);
    this.#isWaiting = true;
    this.#sentAt = at;
    this.#socket.send(message);
  }

  start() { this.#socket?.send(JSON.stringify({ do: "start" })); }

  close() {
    clearInterval(this.#timer);
    const socket = this.#socket;
    this.#socket = null;
    socket?.close();
  }
}

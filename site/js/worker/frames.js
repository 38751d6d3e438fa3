// The frames of clips, from the page's one worker that decodes them (decode.js).

/** @typedef {import("../files/clips.js").Clip} Clip */
/** @typedef {import("./decode.js").Answer} Answer */
/** @typedef {{resolve: (bytes: Uint8Array) => void, reject: (error: Error) => void}} Asked */

/** @type {MessagePort | undefined} */
let port;
/** @type {Map<number, Asked>} */
const asked = new Map(); // by the question's id
/** @type {Set<string>} */
const known = new Set(); // ids of clips that the other side has
let count = 0;

/**
 * frame returns a frame of a clip as the bytes of a file.
 * @param {Clip} clip
 * @param {number} index
 * @param {(other: MessagePort) => void} connect hands the other end of a channel to the worker that decodes, the first time
 * @returns {Promise<Uint8Array>}
 */
export function frame(clip, index, connect) {
  if (!port) {
    const channel = new MessageChannel();
    port = channel.port1;
    port.onmessage = (/** @type {MessageEvent<Answer>} */ { data: { id, bytes, error } }) => {
      const question = asked.get(id);
      asked.delete(id);
      if (bytes) question?.resolve(bytes);
      else question?.reject(new Error(error));
    };
    connect(channel.port2);
  }
  return new Promise((resolve, reject) => {
    asked.set(++count, { resolve, reject });
    port?.postMessage({ id: count, of: clip.id, index, ...(known.has(clip.id) ? {} : { clip }) });
    known.add(clip.id);
  });
}

/**
 * fail ends all that is asked: the worker that decodes is gone.
 * @param {string} why
 */
export function fail(why) {
  port = undefined;
  known.clear();
  for (const { reject } of asked.values()) reject(new Error(why));
  asked.clear();
}

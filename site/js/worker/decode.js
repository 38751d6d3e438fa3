// The worker that decodes the clips' frames, for all engines: so a frame that two of them come by is decoded
// once, and a clip has one decoder's memory.
import { messageOf } from "../errors.js";
import { frame } from "../files/decoder.js";

/** @typedef {import("../files/clips.js").Clip} Clip */

/**
 * What an engine's worker asks, over a port of its own: a frame of a clip, and the clip too the first time.
 * @typedef {{id: number, of: string, clip?: Clip, index: number}} Question
 * @typedef {{id: number, bytes?: Uint8Array, error?: string}} Answer
 */

/** @type {Map<string, Clip>} */
const clips = new Map();

const scope = /** @type {DedicatedWorkerGlobalScope} */ (/** @type {unknown} */ (self));

scope.onmessage = (/** @type {MessageEvent<{port: MessagePort}>} */ { data: { port } }) => {
  port.onmessage = async (/** @type {MessageEvent<Question>} */ { data: { id, of, clip, index } }) => {
    if (clip) clips.set(of, clip);
    /** @type {Answer} */
    let answer;
    try {
      answer = { id, bytes: await frame(/** @type {Clip} */ (clips.get(of)), index) };
    } catch (error) {
      answer = { id, error: messageOf(error) };
    }
    port.postMessage(answer);
  };
};

// The offset between two clips by the sound that both cameras took.
const rate = 8000; // samples per second, as align.SoundOffset takes them
const mostBytes = 1 << 29; // of a clip: the browser decodes the whole of it in memory

/**
 * soundOf returns a clip's sound, its channels' mean, from its beginning.
 * @param {File} file
 * @returns {Promise<Uint8Array<ArrayBuffer>>} of float32
 */
async function soundOf(file) {
  if (file.size > mostBytes) throw new Error(`${file.name} has ${Math.round(file.size / 1e6)} MB, too many to listen to here: give the offset as a number`);
  const sound = await new OfflineAudioContext(1, 1, rate).decodeAudioData(await file.arrayBuffer()).catch(() => {
    throw new Error(`${file.name} has no sound that this browser can decode`);
  });
  const mean = new Float32Array(sound.length);
  for (let c = 0; c < sound.numberOfChannels; c++) sound.getChannelData(c).forEach((v, i) => (mean[i] += v / sound.numberOfChannels));
  return new Uint8Array(mean.buffer);
}

/**
 * offsetBySound returns the offset in frames, as a recipe has it.
 * @param {import("./engines.js").Engines} engines
 * @param {File} color
 * @param {File} band
 * @param {number} fps
 */
export async function offsetBySound(engines, color, band, fps) {
  const [worker] = engines.workers;
  worker.port.postMessage({ files: { put: [["/look/color.sound", await soundOf(color)], ["/look/band.sound", await soundOf(band)]] } });
  const { result } = await engines.call("sound", {}, { worker, urgent: true });
  return -Math.round(result.seconds * fps) || 0;
}

// Memory of a picture's size that nobody needs any more, for the next picture of that size: until a
// browser's fresh memory has been touched once takes longer than to fill it.
/** @type {Uint8Array<ArrayBuffer>[]} */
const spare = [];
const most = 4; // arrays, of two pictures: the latest are of the size that is wanted

/**
 * bytes returns an array of n bytes, whatever they are.
 * @param {number} n
 */
export function bytes(n) {
  const i = spare.findIndex((array) => array.length === n);
  return i < 0 ? new Uint8Array(n) : spare.splice(i, 1)[0];
}

/**
 * give takes arrays that are done with.
 * @param {Uint8Array<ArrayBuffer>[]} arrays
 */
export function give(arrays) {
  spare.push(...arrays);
  spare.splice(0, spare.length - most);
}

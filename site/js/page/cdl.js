// Files of color that a grade takes: ASC CDL in XML, as package clf reads and writes it, and the matrix of
// `twinplate match`.

/** @typedef {import("./operations.js").CDL} CDL */
/** @typedef {{id: string, cdl: CDL}} Correction */

const most = 1 << 20; // bytes of a file: some thousand corrections
const space = "urn:ASC:CDL:v1.01"; // of the ASC's schema

/**
 * readColor reads a file: the matrix in it, or the corrections, of which there is one at least. Errors
 * say what is wrong with it.
 * @param {File} file
 * @returns {Promise<{matrix: number[]} | {all: Correction[]}>}
 */
export async function readColor(file) {
  if (file.size > most) throw new Error("it is larger than 1 MB: a file of color is some kilobytes");
  const text = await file.text();
  if (!text.trimStart().startsWith("<")) return { matrix: matrixIn(text) };
  const doc = new DOMParser().parseFromString(text, "text/xml");
  if (doc.querySelector("parsererror")) throw new Error("it is no XML that is whole");
  const root = doc.documentElement.localName;
  if (!["ColorCorrection", "ColorCorrectionCollection", "ColorDecisionList"].includes(root)) throw new Error(`its root is <${root.slice(0, 40)}>: an ASC CDL has <ColorCorrection>, <ColorCorrectionCollection> or <ColorDecisionList>`);
  const nodes = root === "ColorCorrection" ? [doc.documentElement] : [...doc.getElementsByTagNameNS("*", "ColorCorrection")];
  if (!nodes.length) throw new Error("there is no <ColorCorrection> in it");
  return { all: nodes.map((node) => ({ id: node.getAttribute("id") ?? "", cdl: correction(node) })) };
}

/** @param {string} text */
function matrixIn(text) {
  let matrix;
  try {
    ({ matrix } = JSON.parse(text));
  } catch {
    // It is said below.
  }
  if (!Array.isArray(matrix) || matrix.length !== 9 || !matrix.every((v) => Number.isFinite(v))) throw new Error('it is neither an ASC CDL nor a file of twinplate match, which has nine numbers under "matrix"');
  return matrix;
}

const child = (/** @type {Element} */ of, /** @type {string[]} */ ...names) => [...of.children].find(({ localName }) => names.includes(localName));

/**
 * @param {Element} node
 * @returns {CDL}
 */
function correction(node) {
  /** @type {CDL} */
  const out = { slope: [1, 1, 1], offset: [0, 0, 0], power: [1, 1, 1], saturation: 1 };
  const sop = child(node, "SOPNode");
  if (sop) [out.slope, out.offset, out.power] = ["Slope", "Offset", "Power"].map((name) => numbers(sop, name, 3));
  const sat = child(node, "SatNode", "SATNode"); // programs write both
  if (sat) [out.saturation] = numbers(sat, "Saturation", 1);
  return out;
}

/**
 * @param {Element} of
 * @param {string} name
 * @param {number} count
 */
function numbers(of, name, count) {
  const words = child(of, name)?.textContent?.trim().split(/\s+/) ?? [];
  const values = words.map(Number);
  if (values.length !== count || words.includes("") || !values.every(Number.isFinite)) throw new Error(`its <${of.localName}> must have a <${name}> of ${count === 1 ? "one number" : `${count} numbers`}`);
  return values;
}

/**
 * written returns corrections as a ColorCorrectionCollection (.ccc).
 * @param {{id: string, description: string, cdl: CDL}[]} all
 */
export const written = (all) => new Blob([`<?xml version="1.0" encoding="UTF-8"?>
<ColorCorrectionCollection xmlns="${space}">
${all.map(({ id, description, cdl }) => `  <ColorCorrection id="${id}">
    <SOPNode>
      <Description>${description}</Description>
      <Slope>${cdl.slope.join(" ")}</Slope>
      <Offset>${cdl.offset.join(" ")}</Offset>
      <Power>${cdl.power.join(" ")}</Power>
    </SOPNode>
    <SatNode>
      <Saturation>${cdl.saturation}</Saturation>
    </SatNode>
  </ColorCorrection>
`).join("")}</ColorCorrectionCollection>
`], { type: "application/xml" });

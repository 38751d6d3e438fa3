"use strict";

const frame = document.getElementById("frame");
const heard = { pixel: [], view: [], divider: [], key: [] };
let viewer;

frame.addEventListener("twinplate-viewer-ready", () => {
  viewer = frame.contentWindow.twinplateViewer;
  for (const name of ["pixel", "view", "divider"]) viewer.on(name, (event) => heard[name].push(event));
  viewer.on("key", (event) => heard.key.push(event.key));
});
frame.addEventListener("twinplate-viewer-failed", (event) => console.error(event.detail));

const bytes = (base64) => Uint8Array.from(atob(base64), (c) => c.charCodeAt(0));

const show = (side, w, h, hi, lo) => viewer.picture(side, w, h, bytes(hi), bytes(lo));

const pixels = async () => {
  const { w, h, rgba } = await viewer.snapshot();
  return { w, h, rgba: btoa(Array.from(rgba, (v) => String.fromCharCode(v)).join("")) };
};

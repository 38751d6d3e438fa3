// The sheet of the day: a page of its own, each picture beside the one after the next change.
import { signs } from "../page/panels/readings.js";

const escaped = (/** @type {string} */ s) => s.replace(/[&<>"]/g, (c) => `&#${c.charCodeAt(0)};`);

/**
 * sheet returns the page. What is kept is laid out two and two, with what each reading did from the
 * one to the other.
 * @param {import("./state.js").Kept[]} day
 */
export function sheet(day) {
  const card = (/** @type {import("./state.js").Kept} */ k, /** @type {import("./state.js").Kept | undefined} */ before) => `<figure><img src="${k.picture}" alt=""><figcaption><b>${escaped(new Date(k.time).toLocaleTimeString())}</b> ${escaped(k.note)}</figcaption>
<table>${k.readings.map((r) => {
    const was = before?.readings.find(({ name }) => name === r.name)?.value ?? null;
    const by = r.value !== null && was !== null ? r.value - was : null;
    return `<tr><th>${escaped(r.title)}</th><td>${r.value === null ? "not known" : Number(r.value.toPrecision(3))}</td><td>${escaped(r.unit)}</td><td>${signs[r.verdict]}</td><td>${by === null ? "" : `${by < 0 ? "−" : "+"}${Number(Math.abs(by).toPrecision(2))}`}</td></tr>`;
  }).join("")}</table></figure>`;
  const pairs = day.slice(0, -1).map((k, i) => `<section>${card(k, undefined)}${card(day[i + 1], k)}</section>`);
  return `<!doctype html><html lang="en"><meta charset="utf-8"><title>The sheet of the day</title>
<style>body{font:16px/1.4 system-ui,sans-serif;margin:2rem;color:#111;background:#fff}section{display:grid;grid-template-columns:1fr 1fr;gap:1.5rem;border-top:2px solid #111;padding:1rem 0;break-inside:avoid}figure{margin:0}img{width:100%}table{border-collapse:collapse;font-size:.85rem;width:100%}th{text-align:left;font-weight:400}td{padding:0 .3rem;font-variant-numeric:tabular-nums}</style>
<h1>The sheet of the day, ${escaped(new Date(day[0].time).toLocaleDateString())}</h1>
<p>Before and after each change, side by side; the last column says by how much a reading went.</p>
${(pairs.length ? pairs : [`<section>${card(day[0], undefined)}</section>`]).join("\n")}
</html>
`;
}

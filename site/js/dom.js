// A few words for making elements.

// el makes an element: attributes by name, "on..." as listeners, and children.
export function el(name, attributes = {}, ...children) {
  const node = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (value === undefined || value === null || value === false) continue;
    if (key.startsWith("on")) node.addEventListener(key.slice(2), value);
    else if (key in node && key !== "list" && key !== "form") node[key] = value;
    else node.setAttribute(key, value === true ? "" : value);
  }
  node.append(...children.flat().filter((child) => child !== null && child !== undefined));
  return node;
}

// fill puts children into an element in place of what it has; null is none.
export const fill = (into, ...children) => into.replaceChildren(...children.flat().filter((child) => child !== null && child !== undefined));

export const $ = (id) => document.getElementById(id);

// choice makes a labelled select of [value, text] pairs.
export function choice(text, options, value, change, hint) {
  return el("label", {}, text,
    el("select", { onchange: (event) => change(event.target.value) }, options.map(([v, t]) => el("option", { value: v, selected: v === value }, t))),
    hint ? el("span", { className: "hint" }, hint) : null);
}

export function tick(text, checked, change) {
  return el("label", { className: "check" }, el("input", { type: "checkbox", checked, onchange: (event) => change(event.target.checked) }), text);
}

// files makes a button that opens the browser's chooser, for files or for a folder.
export function files(text, folder, change) {
  const input = el("input", { type: "file", multiple: true, onchange: () => (change([...input.files].map((file) => ({ path: file.webkitRelativePath || file.name, file }))), (input.value = "")) });
  if (folder) input.webkitdirectory = true;
  return el("label", { className: "file-button" }, input, text);
}

// dropped returns what was dropped, folders and all, as {path, file}.
export async function dropped(transfer) {
  const entries = [...transfer.items].map((item) => item.webkitGetAsEntry?.()).filter(Boolean);
  if (!entries.length) return [...transfer.files].map((file) => ({ path: file.name, file }));
  const out = [];
  const walk = async (entry, folder) => {
    if (entry.isFile) {
      const file = await new Promise((resolve, reject) => entry.file(resolve, reject));
      if (!file.name.startsWith(".")) out.push({ path: folder + entry.name, file });
      return;
    }
    const reader = entry.createReader();
    for (;;) {
      const some = await new Promise((resolve, reject) => reader.readEntries(resolve, reject));
      if (!some.length) return;
      for (const child of some) await walk(child, folder + entry.name + "/");
    }
  };
  for (const entry of entries) await walk(entry, "");
  return out;
}

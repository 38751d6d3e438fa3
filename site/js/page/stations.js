// The stations of the job, in its order, and what else can be looked at beside them.

export const stations = [
  { id: "color", title: "Color", op: "" },
  { id: "band", title: "Band", op: "" },
  { id: "transmission", title: "Transmission", op: "÷ screen" },
  { id: "held", title: "Held out", op: "× background" },
  { id: "foreground", title: "Foreground", op: "+" },
  { id: "sum", title: "Composite", op: "=" },
];

const others = [
  { id: "background", title: "Background" },
  { id: "matte", title: "Alpha" },
  { id: "sigma", title: "Error bar of alpha" },
  { id: "unmeasured", title: "Where alpha is not measured" },
  { id: "green", title: "Green backing" },
];

export const besides = [...stations, ...others].map(({ id }) => id);

/**
 * titleOf returns a station in words.
 * @param {string} id
 */
export const titleOf = (id) => [...stations, ...others].find((s) => s.id === id)?.title ?? id;

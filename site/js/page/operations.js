// What the engine does, as types: the files that it is given, and its operations, with what each
// takes and gives. wasm/engine has the same in Go.

/** @typedef {import("./state.js").Breaks} Breaks */

/**
 * What the engine tells when it starts.
 * @typedef {object} About
 * @property {string[]} extensions of the pictures that it reads, in lower case, with their dots
 * @property {number} pixels that a picture has at most
 * @property {number} recipe the version of recipes
 * @property {string[]} curves the names of transfer curves
 */

/** @typedef {Blob | Uint8Array | import("../worker/files.js").Pixels | {url: string} | {clip: import("../files/clips.js").Clip, index: number}} Given a file for the engine's file system */
/** @typedef {{clear?: string[], put?: [string, Given][]}} Layout folders to be emptied there, and files by path */

/**
 * @typedef {object} Opened a take whose files are found
 * @property {{Number: number, Color: string, Band: string}[]} frames
 * @property {number[]} no_band
 * @property {number[]} no_color
 * @property {string[]} notes
 */

/**
 * @typedef {object} Prepared a take that can be worked with
 * @property {Record<string, unknown>} recipe with every estimate in it
 * @property {number} w
 * @property {number} h
 * @property {number} residual_px
 * @property {string} model of the geometry
 * @property {boolean} mirror
 * @property {[number, number, number]} crosstalk
 * @property {string[]} warnings
 * @property {string[]} notes
 * @property {number} seconds
 * @property {string[]} grave those of the warnings by which the result is likely wrong
 * @property {boolean} draft it is of reduced plates and a few frames: the full one follows
 * @property {boolean} no_noise it has no error bars yet: noise finds what they are made from
 */

/** @typedef {[number, number, number]} Triple a linear color */

/**
 * @typedef {object} Arithmetic one pixel, with the numbers of every station
 * @property {number} x
 * @property {number} y
 * @property {number} band
 * @property {number} leak
 * @property {number} screen
 * @property {number} measured
 * @property {number} transmission
 * @property {number} sigma
 * @property {number} gain
 * @property {Triple} color
 * @property {Triple} glow
 * @property {Triple} foreground
 * @property {Triple | null} background
 * @property {Triple | null} held
 * @property {Triple | null} sum
 * @property {boolean} broken a switch of the lesson is on
 */

/**
 * @typedef {object} Reading
 * @property {string} name
 * @property {string} title
 * @property {number | null} value
 * @property {number} [sigma] its standard error, where one is stated
 * @property {string} unit
 * @property {"good" | "watch" | "bad" | "unknown"} verdict
 * @property {string} meaning
 * @property {string} advice
 */

/** @typedef {{frame: number, gain: number, sigma: number}} Gain the lamps' in a frame */

/** @typedef {{readings: Reading[], gains: Gain[] | null, worst: string, notes: string[]}} Readings */

/**
 * @typedef {object} Description a picture, for telling plates apart
 * @property {boolean} color it has color, even if every pixel is gray
 * @property {Triple} mean linear light
 * @property {number} dark the part of the picture that is dark
 * @property {number} yellow the part whose light is mostly the line's
 * @property {number} chroma how far its colors are from gray: the mean difference of channels, in parts of the light
 * @property {number} w of the small picture that comes with it, in sRGB
 * @property {number} h
 */

/** @typedef {{pixels: number, sigma: number, moved: boolean, why: string}} Bump how far the geometry is from the one that is held; why it is not known */

/**
 * @typedef {object} Graphics what a graphics processor makes live frames from, beside two pictures: see wasm/engine/live.go
 * @property {number} w
 * @property {number} h
 * @property {number} band_w
 * @property {number} band_h
 * @property {number[]} homography
 * @property {number[]} radial
 * @property {number[]} center
 * @property {boolean} mirror
 * @property {number[]} crosstalk
 * @property {number[]} weights
 * @property {number} inverse
 */

/** @typedef {{gain: number, pictures: Placed[]}} Watched a live frame as a screen shows it: the stations, and after them the thumbs, half as wide and high */

/** @typedef {{readings: Reading[], through: number, sigma: number, side: number, w: number, h: number}} Read of a live frame; side, w and h are of the squares of troubles, a byte each, which come with it */

/** @typedef {{slope: number[], offset: number[], power: number[], saturation: number}} CDL see plate.CDL */

/** @typedef {{mean: number, most: number}} Difference in CIEDE2000 */

/** @typedef {{matrix: number[], samples: number, before: Difference, balanced: Difference, after: Difference, doubt: string}} Match see plate.Match; doubt says what may be wrong */

/** @typedef {{paths: string[], corners: number[][][], columns: number, rows: number, curve: string}} Chart one in two pictures, through the filter and without: its corners in parts of each; the curve is "" where their tags say it */

/** @typedef {{station: string, w: number, h: number, missing?: string}} Placed a picture; missing says why there is none */

/** @typedef {{number: number, draft: boolean, pictures: Placed[], thumbs: Placed[]}} Shown */

/**
 * The operations: what each takes, and what it gives. Pixels come beside it, as buffers. Those on frames
 * take the finish of a recipe too, that they are made with: that of Engines, or another.
 *
 * @typedef {object} Operations
 * @property {{takes: {path: string, draft?: boolean}, gives: Opened}} open
 * @property {{takes: {path: string, samples?: number[], later?: boolean, planes?: string}, gives: Prepared}} prepare later: without what curves and noise make; planes: a file of what planes gave, which is not looked for again
 * @property {{takes: {path: string}, gives: Prepared}} noise of the cameras, where prepare left it
 * @property {{takes: {}, gives: null}} planes what was found of the take beside its recipe, as bytes
 * @property {{takes: {}, gives: string[]}} curves warnings that files are read by a wrong curve, where prepare left that test
 * @property {{takes: {fps: number}, gives: Readings}} check
 * @property {{takes: {}, gives: {seconds: number}}} sound of /look/color.sound and band.sound: how much later the band camera's begins
 * @property {{takes: {path: string, width: number}, gives: Description}} look
 * @property {{takes: {chart: Chart}, gives: Match}} match
 * @property {{takes: {}, gives: [number, number, number, number][]}} border the screen's, as lines from x and y to x and y in parts of the frame
 * @property {{takes: {number: number}, gives: number[]}} place where a place of a frame lies in the background's picture (composite.Fit.Picture)
 * @property {{takes: {}, gives: {notes: string[]}}} finish what is to be known of the take with it
 * @property {{takes: {}, gives: {id: string, description: string, cdl: CDL}[]}} cdl the grades as ASC CDL, where they can be
 * @property {{takes: {number: number, breaks: Breaks, x: number, y: number}, gives: Arithmetic}} pixel
 * @property {{takes: {number: number, breaks: Breaks, stations: string[], thumbs: string[], width: number, quick: boolean, half: boolean}, gives: Shown}} frame
 * @property {{takes: {number: number, breaks: Breaks, stations: string[], width: number, straight?: boolean, finish?: import("./state.js").Recipe}, gives: Placed}} display
 * @property {{takes: {number: number, breaks: Breaks, product: string, finish?: import("./state.js").Recipe}, gives: string}} write
 * @property {{takes: {path: string}, gives: Bump}} bump
 * @property {{takes: {}, gives: number}} memory
 * @property {{takes: {number: number}, gives: Graphics}} graphics
 * @property {{takes: {number: number}, gives: Read}} read
 * @property {{takes: {number: number, stations: string[], thumbs: string[]}, gives: Watched}} watch
 */

export {};

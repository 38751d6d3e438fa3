// What is said of errors, on the pages and in the workers.

/**
 * messageOf returns what is wrong, of whatever was thrown.
 * @param {unknown} error
 */
export const messageOf = (error) => (error instanceof Error ? error.message : String(error));

/**
 * isAbort reports whether something ended because it was stopped or no longer wanted.
 * @param {unknown} error
 */
export const isAbort = (error) => error instanceof DOMException && error.name === "AbortError";

/** stopped is why something ends that the user stopped. */
export const stopped = () => new DOMException("stopped", "AbortError");

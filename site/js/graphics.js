// What a browser draws by.

/**
 * drawsBy returns what the browser draws WebGL by: a graphics processor, software that plays one, or nothing.
 * @returns {"hardware" | "software" | "nothing"}
 */
export function drawsBy() {
  const gl = document.createElement("canvas").getContext("webgl2");
  if (!gl) return "nothing";
  const info = gl.getExtension("WEBGL_debug_renderer_info");
  const name = String(gl.getParameter(info?.UNMASKED_RENDERER_WEBGL ?? gl.RENDERER));
  gl.getExtension("WEBGL_lose_context")?.loseContext();
  return name && !/swiftshader|llvmpipe|softpipe|software|basic render/i.test(name) ? "hardware" : "software";
}

// The picture: the viewer in its frame, and what it is told. Pictures are kept here, so that a viewer which loses its
// graphics context gets them again. The viewer is a program of its own, which comes after the first picture: until it
// has drawn, a plain canvas shows that.
import { $ } from "./dom.js";

const numbers = new Set(["transmission", "matte", "sigma"]);

export class Look {
  // Listen is told what happens in the viewer, and spent of pictures that are shown no more.
  constructor(listen, spent) {
    this.spent = spent;
    this.frame = $("viewer");
    this.shown = [null, null];
    this.settings = { accent: [0.898, 0.561, 0.694] };
    this.at = null;
    this.ready = new Promise((resolve) => {
      const start = () => {
        this.api = this.frame.contentWindow.twinplateViewer;
        if (!this.api) return;
        for (const name of ["pixel", "view", "divider", "key", "drag"]) this.api.on(name, (event) => listen(name, event));
        this.api.look(this.settings);
        this.api.divider(this.at);
        this.shown.forEach((picture, side) => picture && this.put(side, picture));
        this.uncover();
        resolve();
      };
      this.frame.addEventListener("twinplate-viewer-ready", start);
    });
    this.frame.addEventListener("twinplate-viewer-failed", (event) => listen("failed", event.detail));
  }

  // begin loads the viewer.
  begin() {
    if (!this.frame.src) this.frame.src = "viewer.html";
  }

  // first shows a picture before there is a viewer: sRGB of 8 bits.
  first(rgba, w, h) {
    const canvas = $("first");
    [canvas.width, canvas.height] = [w, h];
    canvas.getContext("2d").putImageData(new ImageData(new Uint8ClampedArray(rgba.buffer, rgba.byteOffset, 4 * w * h), w, h), 0, 0);
  }

  // uncover takes the first picture away once the viewer has drawn one.
  async uncover() {
    const canvas = $("first");
    if (!canvas || !this.api || !this.shown[0]) return;
    await this.api.snapshot();
    canvas.remove();
  }

  show(side, picture) {
    const before = this.shown[side];
    if (before === picture) return;
    this.shown[side] = picture;
    if (this.api) this.put(side, picture);
    this.uncover();
    if (before && !this.shown.includes(before)) this.spent(before);
  }

  put(side, picture) {
    if (!picture) {
      this.api.clear(side);
      return;
    }
    const matte = [0, 1].map((i) => numbers.has(this.shown[i]?.station));
    this.api.look({ matte });
    this.tooLarge = !this.api.picture(side, picture.w, picture.h, picture.hi, picture.lo);
  }

  set(settings) {
    Object.assign(this.settings, settings);
    this.api?.look(settings);
  }

  divider(x) {
    this.at = x;
    this.api?.divider(x);
  }
}

// The picture: the viewer in its frame, and what it is told. Pictures are kept here, so that a viewer which loses its
// graphics context gets them again.
import { $ } from "./dom.js";

const numbers = new Set(["transmission", "matte", "sigma"]);

export class Look {
  constructor(listen) {
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
        resolve();
      };
      this.frame.addEventListener("twinplate-viewer-ready", start);
      start();
    });
    this.frame.addEventListener("twinplate-viewer-failed", (event) => listen("failed", event.detail));
  }

  show(side, picture) {
    if (this.shown[side] === picture) return;
    this.shown[side] = picture;
    if (this.api) this.put(side, picture);
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

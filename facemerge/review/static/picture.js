// The picture: its two states, how they are compared, and what is drawn over them.

import { byId, make, say } from "./dom.js";
import { drawTouched } from "./overlay.js";
import { part, place, toBase } from "./view.js";

const TURN_MS = 1500;
const SETTLE_MS = 120;
const SIDES = { now: "composite", was: "base" };

export class Picture extends EventTarget {
  zoom = "fit";
  way = "now";
  /** The place of the picture on the stage; see `view.place`. */
  at = { scale: 1, left: 0, top: 0 };
  #centre = [0, 0];
  #state = null;
  #person = null;
  #settle = 0;
  #turns = 0;
  #other = false;
  #mask = "";
  #since = 0;
  /** Of each side the address asked for last, and a promise kept once it is shown. */
  #wanted = {};
  #still = matchMedia("(prefers-reduced-motion: reduce)");

  constructor() {
    super();
    this.stage = byId("stage");
    this.sheet = byId("sheet");
    this.layers = { now: this.sheet.querySelector(".now"), was: this.sheet.querySelector(".was") };
    new ResizeObserver(() => this.draw()).observe(this.stage);
    // Where the picture stays above what is read, what gets the focus must not end up below it.
    const room = byId("picture");
    const above = () => document.documentElement.style.setProperty("--above", `${room.offsetHeight}px`);
    new ResizeObserver(above).observe(room);
    this.stage.addEventListener("keydown", (event) => this.#move(event));
    byId("divide").addEventListener("input", () => this.#compare());
    byId("turn").addEventListener("click", () => this.turn());
    byId("hold").addEventListener("click", () => this.hold(byId("hold").getAttribute("aria-pressed") !== "true"));
    for (const box of ["draw-line", "draw-mask", "draw-who"]) {
      byId(box).addEventListener("change", () => this.draw());
    }
    byId("ways").addEventListener("change", (event) => this.show(event.target.value));
    byId("sizes").addEventListener("change", (event) => {
      this.look(event.target.value === "fit" ? "fit" : Number(event.target.value));
    });
    this.#still.addEventListener("change", () => this.show(this.way));
  }

  /** Show a state, with one person of it looked at. */
  update(state, person) {
    const fresh = !this.#state;
    // The base is the same picture as long as it is the same frame.
    if (state.base !== this.#state?.base) this.#since = state.version;
    this.#state = state;
    if (fresh) this.#centre = state.size.map((long) => long / 2);
    if (fresh) this.stage.style.setProperty("--shape", `${state.size[0]} / ${state.size[1]}`);
    this.#person = person;
    this.draw();
    return Promise.all([
      this.#whole("now", `api/picture/${state.version}.jpg`, "The composite"),
      this.#whole("was", `api/base/${this.#since}.jpg`, "The base frame as it was taken"),
    ]);
  }

  /** Look at the picture whole, or at 100 or 200 % with a base pixel in the middle; `place`: which weak one it is. */
  look(zoom, centre = null, place = 0) {
    this.zoom = zoom;
    this.place = place;
    if (centre) this.#centre = centre;
    else if (zoom !== "fit" && this.#person) this.#centre = heart(this.#person);
    byId("sizes").querySelector(`[value="${zoom}"]`).checked = true;
    this.draw();
  }

  /** Compare in another way: now, was, divided, turns or difference. */
  show(way) {
    this.way = way;
    this.#other = false;
    byId("ways").querySelector(`[value="${way}"]`).checked = true;
    byId("hold").hidden = way !== "turns" || this.#still.matches;
    byId("turn").hidden = way !== "turns";
    this.hold(this.#still.matches);
  }

  /** Stop the two from taking turns, or let them; who asks for little motion turns them by hand. */
  hold(still) {
    clearInterval(this.#turns);
    byId("hold").setAttribute("aria-pressed", String(still));
    if (this.way === "turns" && !still) this.#turns = setInterval(() => document.hidden || this.turn(), TURN_MS);
    this.#compare();
  }

  turn() {
    this.#other = !this.#other;
    this.#compare();
  }

  /** Move the view by page pixels. */
  pan(dx, dy) {
    const middle = toBase(this.at, this.stage.clientWidth / 2, this.stage.clientHeight / 2);
    this.#centre = [middle[0] - dx / this.at.scale, middle[1] - dy / this.at.scale];
    this.draw();
  }

  /** The base pixel under a pointer. */
  under(event) {
    const box = this.stage.getBoundingClientRect();
    return toBase(this.at, event.clientX - box.left - this.stage.clientLeft, event.clientY - box.top - this.stage.clientTop);
  }

  /** Whether a pointer is on the line that divides the two. */
  onEdge(event) {
    if (this.way !== "divided") return false;
    const box = byId("edge").getBoundingClientRect();
    return Math.abs(event.clientX - (box.left + box.width / 2)) < 24;
  }

  divideAt(event) {
    const box = this.stage.getBoundingClientRect();
    byId("divide").value = String(Math.round((100 * (event.clientX - box.left)) / box.width));
    this.#compare();
  }

  draw() {
    const state = this.#state;
    if (!state || !this.stage.clientWidth) return;
    const stage = [this.stage.clientWidth, this.stage.clientHeight];
    this.at = place(state.size, stage, this.zoom, this.#centre, devicePixelRatio);
    const { scale, left, top } = this.at;
    Object.assign(this.sheet.style, {
      width: `${state.size[0] * scale}px`,
      height: `${state.size[1] * scale}px`,
      transform: `translate(${left}px, ${top}px)`,
    });
    this.stage.classList.toggle("close", this.zoom !== "fit");
    this.#over();
    this.#compare();
    clearTimeout(this.#settle);
    if (this.zoom === "fit") this.#parts(null);
    else this.#settle = setTimeout(() => this.#parts(part(state.size, stage, this.zoom, this.at)), SETTLE_MS);
    this.dispatchEvent(new Event("moved"));
  }

  // A new picture takes the old one's place only once it can be shown: nothing flashes.
  #whole(side, url, alt) {
    const wanted = this.#wanted[side];
    if (wanted?.url === url) return wanted.shown;
    const load = async () => {
      const image = make("img", { class: "whole", alt, src: url, draggable: "false" });
      await image.decode().catch(() => undefined);
      if (this.#wanted[side].url !== url || !image.naturalWidth) return;
      this.layers[side].querySelector(".whole")?.remove();
      this.layers[side].prepend(image);
    };
    this.#wanted[side] = { url };
    this.#wanted[side].shown = load();
    return this.#wanted[side].shown;
  }

  async #parts(cut) {
    const { version, base, size } = this.#state;
    const query = cut && `?x=${cut.x}&y=${cut.y}&w=${cut.w}&h=${cut.h}&zoom=${this.zoom}`;
    const load = async (side, of) => {
      const layer = this.layers[side];
      const wanted = `${of}${query}`;
      if (layer.dataset.part === wanted) return () => undefined;
      layer.dataset.part = wanted;
      const src = `api/part/${version}/${SIDES[side]}.jpg${query}`;
      const image = make("img", { class: "part", alt: "", src, draggable: "false" });
      for (const [name, value, whole] of [["left", cut.x, 0], ["top", cut.y, 1], ["width", cut.w, 0], ["height", cut.h, 1]]) {
        image.style[name] = `${(100 * value) / size[whole]}%`;
      }
      await image.decode().catch(() => undefined);
      return () => {
        if (layer.dataset.part !== wanted) return;
        layer.querySelector(".part")?.remove();
        if (image.naturalWidth) layer.append(image);
      };
    };
    if (cut) {
      // Both at once, or their difference would flash.
      const ready = await Promise.all([load("now", version), load("was", `base ${base}`)]);
      for (const put of ready) put();
      return;
    }
    for (const layer of Object.values(this.layers)) {
      delete layer.dataset.part;
      layer.querySelector(".part")?.remove();
    }
  }

  #over() {
    const person = this.#person;
    const [w, h] = this.#state.size;
    const lay = (element, [x0, y0, x1, y1]) => {
      Object.assign(element.style, {
        left: `${(100 * x0) / w}%`,
        top: `${(100 * y0) / h}%`,
        width: `${(100 * (x1 - x0)) / w}%`,
        height: `${(100 * (y1 - y0)) / h}%`,
      });
    };
    const who = byId("who");
    who.hidden = !(person && this.zoom === "fit" && byId("draw-who").checked);
    if (!who.hidden) {
      lay(who, person.box);
      say(who.firstElementChild, person.id);
    }
    const [line, mask] = [byId("draw-line").checked, byId("draw-mask").checked];
    const touched = byId("touched");
    touched.hidden = !(person?.area && (line || mask));
    byId("weak").hidden = !(person?.weak.length && line);
    byId("weak").replaceChildren(
      ...(person?.weak ?? []).map((at) => {
        const ring = document.createElement("i");
        Object.assign(ring.style, { left: `${(100 * (at[0] + 0.5)) / w}%`, top: `${(100 * (at[1] + 0.5)) / h}%` });
        return ring;
      }),
    );
    const wanted = touched.hidden ? "" : `${this.#state.version} ${person.id} ${line} ${mask}`;
    if (touched.hidden) this.#mask = "";
    else lay(touched, person.area);
    if (!wanted || wanted === this.#mask) return;
    this.#mask = wanted;
    const url = `api/mask/${this.#state.version}/${person.id}.png`;
    drawTouched(touched, url, { line, mask }, () => this.#mask === wanted);
  }

  #compare() {
    const { stage, layers, way } = this;
    const base = way === "was" || (way === "turns" && this.#other);
    stage.dataset.way = way;
    layers.was.hidden = !(base || way === "divided" || way === "difference");
    const edge = byId("edge");
    const share = Number(byId("divide").value) / 100;
    edge.hidden = byId("divide").hidden = way !== "divided";
    if (way === "divided") {
      const x = share * stage.clientWidth;
      edge.style.left = `${x}px`;
      const right = Math.max(0, this.sheet.offsetWidth - (x - this.at.left));
      layers.was.style.clipPath = `inset(0 ${right}px 0 0)`;
    } else layers.was.style.clipPath = "";
    const shown = byId("now-shown");
    shown.hidden = way === "now";
    const words = { divided: "left base, right composite", difference: "what differs, four times as strong" };
    say(shown, words[way] ?? (base ? "base" : "composite"));
    const size = this.zoom === "fit" ? "whole" : `${100 * this.zoom} %`;
    const what = { now: "composite", was: "base", turns: "composite and base in turn" }[way] ?? words[way];
    stage.setAttribute("aria-label", `The picture: ${what}, ${size}`);
  }

  #move(event) {
    const step = { ArrowLeft: [60, 0], ArrowRight: [-60, 0], ArrowUp: [0, 60], ArrowDown: [0, -60] }[event.key];
    if (!step || event.defaultPrevented || this.zoom === "fit") return;
    event.preventDefault();
    this.pan(...step);
  }
}

/** Where to look at a person: the weakest place of the seam, or the face. */
export function heart(person) {
  if (person.weak.length) return person.weak[0];
  return [(person.box[0] + person.box[2]) / 2, (person.box[1] + person.box[3]) / 2];
}

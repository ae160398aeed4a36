// Painting on a mask by finger, pen, mouse or keys. A stroke is told to the program when it ends.

import { byId } from "./dom.js";
import { toStage } from "./view.js";

const STEP_PX = 6;
const LEAST_PX = 1.5;

export class Brush extends EventTarget {
  /** "", "paint" or "erase". */
  mode = "";
  /** In base pixels. */
  radius = 20;
  softness = 0.5;
  #picture;
  #points = null;
  #keys = null;
  #drag = null;

  /** Events: "stroke" with {mode, radius, softness, points}; "pick" with the base pixel that was tapped. */
  constructor(picture) {
    super();
    this.#picture = picture;
    const stage = picture.stage;
    stage.addEventListener("pointerdown", (event) => this.#down(event));
    stage.addEventListener("pointermove", (event) => this.#move(event));
    stage.addEventListener("pointerup", (event) => this.#up(event));
    stage.addEventListener("pointercancel", () => this.drop());
    stage.addEventListener("pointerleave", () => this.#keys || this.#tip(null));
    stage.addEventListener("keydown", (event) => this.#key(event));
    stage.addEventListener("blur", () => this.#end());
    picture.addEventListener("moved", () => this.#ink());
  }

  take(mode) {
    this.drop();
    this.mode = mode;
    this.#picture.stage.dataset.brush = mode;
    if (!mode) this.#tip(null);
  }

  /** Give up a stroke that was begun. */
  drop() {
    this.#points = this.#keys = this.#drag = null;
    this.#ink();
  }

  /** The strokes just told are in the picture now. */
  clear() {
    if (!this.#points) this.#ink();
  }

  #down(event) {
    if (event.button) return;
    this.#keys = null;
    const picture = this.#picture;
    const edge = picture.onEdge(event);
    if (this.mode && !edge) this.#points = [picture.under(event)];
    else this.#drag = { edge, x: event.clientX, y: event.clientY, moved: 0 };
    picture.stage.setPointerCapture(event.pointerId);
    this.#ink();
  }

  #move(event) {
    const picture = this.#picture;
    const drag = this.#drag;
    if (this.mode && !drag) this.#tip(picture.under(event));
    if (this.#points && !this.#keys) {
      const seen = event.getCoalescedEvents?.() ?? [];
      for (const at of seen.length ? seen : [event]) this.#reach(picture.under(at));
    } else if (drag?.edge) picture.divideAt(event);
    else if (drag) {
      const [dx, dy] = [event.clientX - drag.x, event.clientY - drag.y];
      Object.assign(drag, { x: event.clientX, y: event.clientY, moved: drag.moved + Math.abs(dx) + Math.abs(dy) });
      if (picture.zoom !== "fit") picture.pan(dx, dy);
    }
  }

  #up(event) {
    const drag = this.#drag;
    this.#drag = null;
    if (this.#points && !this.#keys) this.#end();
    else if (drag && !drag.edge && drag.moved < 8) this.#tell("pick", this.#picture.under(event));
  }

  #key(event) {
    const arrow = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    const put = event.key === "Enter" || event.key === " ";
    if (!this.mode || !(arrow || put)) return;
    event.preventDefault();
    const { stage, at } = this.#picture;
    this.#keys ??= this.#picture.under(middle(stage));
    if (arrow) {
      const step = (event.shiftKey ? 5 : 1) * (STEP_PX / at.scale);
      this.#keys = this.#keys.map((value, k) => value + arrow[k] * step);
      if (this.#points) this.#reach(this.#keys);
    } else if (this.#points) this.#end();
    else this.#points = [this.#keys];
    this.#tip(this.#keys);
    this.#ink();
  }

  #reach(point) {
    const last = this.#points.at(-1);
    const apart = Math.hypot(point[0] - last[0], point[1] - last[1]) * this.#picture.at.scale;
    if (apart < LEAST_PX) return;
    this.#points.push(point);
    this.#ink();
  }

  #end() {
    const points = this.#points;
    this.#points = null;
    if (!points) return;
    const tenth = (value) => Math.round(10 * value) / 10;
    this.#tell("stroke", {
      mode: this.mode,
      radius: tenth(this.radius),
      softness: this.softness,
      points: points.map((point) => point.map(tenth)),
    });
  }

  // What is being painted, until the program shows it in the picture: light for more head, dark for less.
  #ink() {
    const { stage, at } = this.#picture;
    const ink = byId("ink");
    const ratio = devicePixelRatio;
    const size = [Math.round(stage.clientWidth * ratio), Math.round(stage.clientHeight * ratio)];
    if (!this.#points && !ink.width) return;
    [ink.width, ink.height] = this.#points ? size : [0, 0];
    if (!this.#points) return;
    const context = ink.getContext("2d");
    context.scale(ratio, ratio);
    context.lineCap = context.lineJoin = "round";
    const wide = 2 * this.radius * at.scale;
    const light = this.mode === "paint";
    for (const [width, colour] of [[wide + 3, light ? "#000" : "#fff"], [wide, light ? "#fff" : "#000"]]) {
      context.strokeStyle = colour;
      context.lineWidth = width;
      context.beginPath();
      const [first, ...more] = this.#points.map((point) => toStage(at, ...point));
      context.moveTo(...first);
      context.lineTo(...first);
      for (const point of more) context.lineTo(...point);
      context.stroke();
    }
  }

  /** Show how large the brush is. */
  #tip(point) {
    const tip = byId("tip");
    tip.hidden = !(point && this.mode);
    if (tip.hidden) return;
    const { at } = this.#picture;
    const [x, y] = toStage(at, ...point);
    const wide = 2 * this.radius * at.scale;
    Object.assign(tip.style, { left: `${x}px`, top: `${y}px`, width: `${wide}px`, height: `${wide}px` });
    tip.textContent = this.mode === "paint" ? "+" : "−";
  }

  #tell(name, detail) {
    this.dispatchEvent(new CustomEvent(name, { detail }));
  }
}

function middle(stage) {
  const box = stage.getBoundingClientRect();
  return { clientX: box.left + box.width / 2, clientY: box.top + box.height / 2 };
}

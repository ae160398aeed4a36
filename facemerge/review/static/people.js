// Everybody as a list, and one of them opened.

import { byId, make, say } from "./dom.js";
import { faceAddress, FLAGS, source } from "./wording.js";

export class People {
  order = [];
  #rows = new Map();

  /** `open(id)`: somebody is to be opened, or null: nobody. */
  constructor(open) {
    this.open = open;
    byId("resort").firstElementChild.addEventListener("click", () => this.sort());
  }

  /** Show a state with one person opened; `panel` stands below them. */
  update(state, opened, panel) {
    this.state = state;
    // Rows stay where they are while somebody works on them; sorting is asked for.
    const now = state.people.map((person) => person.id);
    const stay = this.order.filter((id) => now.includes(id));
    this.order = [...stay, ...now.filter((id) => !stay.includes(id))];
    byId("resort").hidden = this.order.every((id, n) => id === now[n]);
    const list = byId("list");
    const known = new Map(state.people.map((person) => [person.id, person]));
    this.order.forEach((id, n) => {
      const person = known.get(id);
      if (!this.#rows.has(id)) this.#rows.set(id, this.#row(id));
      const row = this.#rows.get(id);
      if (list.children[n] !== row.element) list.insertBefore(row.element, list.children[n] ?? null);
      this.#show(row, person, id === opened);
      if (id === opened && panel.element.parentNode !== row.element) row.element.append(panel.element);
    });
    for (const [id, row] of this.#rows) {
      if (now.includes(id)) continue;
      row.element.remove();
      this.#rows.delete(id);
    }
  }

  sort() {
    const focused = document.activeElement;
    this.order = this.state.people.map((person) => person.id);
    byId("list").append(...this.order.map((id) => this.#rows.get(id).element));
    byId("resort").hidden = true;
    (focused.isConnected && focused.offsetParent ? focused : byId("people")).focus();
  }

  /** Bring the focus to a person. */
  focus(id) {
    this.#rows.get(id)?.press.focus({ preventScroll: true });
    this.reveal(id);
  }

  /** Scroll so that a person's row is at the top, with all that stands below it. */
  reveal(id) {
    this.#rows.get(id)?.element.scrollIntoView({ block: "start" });
  }

  #row(id) {
    const row = { id };
    row.image = make("img", { alt: "", width: 320, height: 400, loading: "lazy", decoding: "async" });
    row.place = make("span", { class: "place" });
    row.flag = make("span", { class: "flag" });
    row.more = make("span", { class: "more" });
    row.press = make(
      "button",
      { type: "button", onclick: () => this.open(row.press.getAttribute("aria-expanded") === "true" ? null : id) },
      make("span", { class: "clip" }, row.image),
      make("span", { class: "lines" }, make("span", { class: "who" }, `${id} `, row.place), row.flag, row.more),
    );
    row.element = make("li", { class: "person" }, make("h3", {}, row.press));
    return row;
  }

  #show(row, person, opened) {
    if (row.person === person && row.opened === opened) return;
    Object.assign(row, { person, opened });
    const src = faceAddress(person.id, person.pick);
    if (row.image.getAttribute("src") !== src) row.image.setAttribute("src", src);
    say(row.place, person.place);
    const { word, shape } = FLAGS[person.flag] ?? { word: person.flag, shape: "◆" };
    if (row.flag.dataset.flag !== person.flag) {
      row.flag.dataset.flag = person.flag;
      row.flag.replaceChildren(make("span", { "aria-hidden": "true" }, shape), ` ${word}`);
    }
    const told = opened ? [] : [source(this.state, person)];
    if (person.touched || person.forced || person.kept) told.unshift("✓ seen to");
    if (person.note) told.push("with a note");
    const seam = person.flag !== "clear" || !person.from_base;
    if (!opened && seam && person.reasons.length) told.push(person.reasons[0]);
    say(row.more, ` ${told.join(" · ")}`);
    row.element.classList.toggle("opened", opened);
    row.press.setAttribute("aria-expanded", String(opened));
    if (opened) row.press.setAttribute("aria-controls", `open-${person.id}`);
    else row.press.removeAttribute("aria-controls");
  }
}

// Single keys, the sheet that lists them, and a switch for those whose voice or hand types by accident.

import { make } from "./dom.js";

const KEPT = "facemerge-single-keys";

export class Keys {
  /** `rows`: [keys, words, press]; a key is "n", "Shift+W", "Ctrl+S". */
  constructor(dialog, list, toggle, rows) {
    this.dialog = dialog;
    this.toggle = toggle;
    this.presses = new Map(rows.flatMap(([keys, , press]) => keys.map((key) => [key, press])));
    for (const [keys, words] of rows) {
      const caps = keys.flatMap((key, n) => [n ? " or " : "", make("kbd", {}, SHOWN[key] ?? key.replace(/[+]([a-z])$/, (end) => end.toUpperCase()))]);
      list.append(make("dt", {}, ...caps), make("dd", {}, words));
    }
    toggle.checked = read() !== "off";
    toggle.addEventListener("change", () => write(toggle.checked ? "on" : "off"));
    document.addEventListener("keydown", (event) => this.#press(event));
  }

  help() {
    if (this.dialog.open) this.dialog.close();
    else this.dialog.showModal();
  }

  #press(event) {
    const bare = !(event.ctrlKey || event.metaKey || event.altKey);
    const name = bare
      ? `${event.shiftKey && event.key.length === 1 && /[a-z]/i.test(event.key) ? "Shift+" : ""}${event.key.length === 1 ? event.key.toLowerCase() : event.key}`
      : `Ctrl+${event.shiftKey ? "Shift+" : ""}${event.key.toLowerCase()}`;
    const writing = event.target.closest("textarea, input:not([type=range], [type=radio], [type=checkbox])");
    if (event.altKey || event.defaultPrevented || writing) return;
    if (bare && !this.toggle.checked && name.length === 1 && name !== "?") return;
    // The arrows belong to whatever slides or is chosen with them.
    if (name.startsWith("Arrow") && event.target.closest("input, select, [role=application], dialog")) return;
    if (this.dialog.open && name !== "?") return;
    const press = this.presses.get(name);
    if (!press) return;
    event.preventDefault();
    press(event);
  }
}

const SHOWN = {
  ArrowLeft: "←",
  ArrowRight: "→",
  ArrowUp: "↑",
  ArrowDown: "↓",
  Escape: "Esc",
};

// A browser may forbid keeping anything; the page works all the same.
function read() {
  try {
    return localStorage.getItem(KEPT);
  } catch {
    return null;
  }
}

function write(value) {
  try {
    localStorage.setItem(KEPT, value);
  } catch {
    /* asked again next time */
  }
}

"use strict";
(() => {
  const lines = document.querySelector("#lines");
  const said = document.querySelector("#said");
  const empty = document.querySelector("#empty");
  const buttons = document.querySelectorAll("[data-line]");
  // The lines that are chosen, by their first word: each click takes the place of the one before it of its kind alone.
  // Begins with the photo whose points they are, where the settings leave it to the audit, which may choose another.
  const chosen = new Map();
  const reference = document.querySelector("[data-reference]");
  const begin = () => {
    chosen.clear();
    if (reference) chosen.set("reference", reference.dataset.reference);
  };
  begin();

  // Where a page may not use the clipboard (a phone that reads it over plain http), the old command still may.
  async function copy(line) {
    chosen.set(line.split(":")[0], line);
    const text = [...chosen.values()].join("\n");
    lines.value = text;
    lines.rows = chosen.size;
    if (empty) empty.hidden = false;
    try {
      await navigator.clipboard.writeText(text);
    } catch {
      lines.select();
      if (!document.execCommand("copy")) {
        said.textContent = "The browser lets no page copy here: select the lines and copy them by hand.";
        return;
      }
    }
    const [what, word] = chosen.size > 1 ? [`Copied, all ${chosen.size} lines. Put them`, "a line's"] : ["Copied. Put it", "its"];
    said.textContent = `${what} into the shoot.yaml in the shoot's folder, or, for a part of a folder, beside that part's photos; where ${word} first word stands there already, under that.`;
  }

  function press(button) {
    for (const other of buttons) other.setAttribute("aria-pressed", other === button);
  }

  // What has a line of its own: a candidate, a look.
  for (const button of buttons) {
    button.addEventListener("click", event => {
      event.stopPropagation();
      press(button);
      copy(button.dataset.line);
    });
  }

  // A point of the reference photo, by a click or by its two numbers; of each kind one is marked.
  const plan = document.querySelector(".plan");
  if (plan) {
    const [x, y] = ["#x", "#y"].map(name => document.querySelector(name));
    const kind = () => document.querySelector("[name=what]:checked").value;
    const mark = () => {
      const cross = plan.querySelector(`.cross[data-of=${kind()}]`);
      cross.hidden = !(x.validity.valid && y.validity.valid && x.value && y.value);
      cross.style.left = 100 * x.value + "%";
      cross.style.top = 100 * y.value + "%";
    };
    const choose = () => {
      const point = [x, y].map(field => Number(field.value).toFixed(3)).join(", ");
      if (kind() === "hold") press(null);
      mark();
      copy({
        hold: `hold: [${point}]`,
        neutral: `look: {white_balance: {neutral: [${point}]}}`,
        centre: `framing: {centre: [${point}]}`,
      }[kind()]);
    };
    plan.addEventListener("click", event => {
      const frame = plan.getBoundingClientRect();
      const part = (place, start, size) => Math.min(1, Math.max(0, (place - start) / size)).toFixed(3);
      x.value = part(event.clientX, frame.left, frame.width);
      y.value = part(event.clientY, frame.top, frame.height);
      choose();
    });
    for (const spot of plan.querySelectorAll(".spot")) {
      spot.addEventListener("click", () => plan.querySelector(".cross[data-of=hold]").hidden = true);
    }
    for (const field of [x, y]) field.addEventListener("input", mark);
    document.querySelector("#point").addEventListener("submit", event => {
      event.preventDefault();
      choose();
    });
    empty.addEventListener("click", () => {
      begin();
      press(null);
      for (const cross of plan.querySelectorAll(".cross")) cross.hidden = true;
      lines.value = x.value = y.value = "";
      lines.rows = 1;
      empty.hidden = true;
      said.textContent = "Nothing is chosen.";
    });
  }

  for (const wipe of document.querySelectorAll(".wipe")) {
    const range = wipe.querySelector("input");
    range.addEventListener("input", () => {
      wipe.style.setProperty("--at", range.value + "%");
      range.setAttribute("aria-valuetext", `${range.value} % before`);
    });
  }

  // Two clips in step: the first leads.
  const both = document.querySelector("#both");
  if (both) {
    const [leader, other] = document.querySelectorAll("video");
    const follow = () => {
      if (Math.abs(other.currentTime - leader.currentTime) > 0.03) other.currentTime = leader.currentTime;
    };
    both.addEventListener("click", () => {
      if (both.getAttribute("aria-pressed") === "true") return leader.pause();
      both.setAttribute("aria-pressed", "true");
      follow();
      leader.play();
      other.play();
    });
    leader.addEventListener("pause", () => {
      both.setAttribute("aria-pressed", "false");
      other.pause();
      follow();
    });
    leader.addEventListener("seeked", follow);
  }
})();

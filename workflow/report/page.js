"use strict";
(() => {
  const lines = document.querySelector("#lines");
  const said = document.querySelector("#said");

  // Where a page may not use the clipboard (a phone that reads it over plain http), the old command still may.
  async function copy(text) {
    lines.value = text;
    try {
      await navigator.clipboard.writeText(text);
    } catch {
      lines.select();
      if (!document.execCommand("copy")) {
        said.textContent = "The browser lets no page copy here: select the line and copy it by hand.";
        return;
      }
    }
    said.textContent = "Copied. Put it into the shoot.yaml in the shoot's folder, or, for a part of a folder, beside that part's photos; where its first word stands there already, under that.";
  }

  // What has a line of its own: a candidate, a look.
  for (const button of document.querySelectorAll("[data-line]")) {
    button.addEventListener("click", event => {
      event.stopPropagation();
      copy(button.dataset.line);
    });
  }

  // A point of the reference photo, by a click or by its two numbers.
  const plan = document.querySelector(".plan");
  if (plan) {
    const [x, y] = ["#x", "#y"].map(name => document.querySelector(name));
    const cross = plan.querySelector(".cross");
    const mark = () => {
      cross.hidden = !(x.validity.valid && y.validity.valid && x.value && y.value);
      cross.style.left = 100 * x.value + "%";
      cross.style.top = 100 * y.value + "%";
    };
    const chosen = () => {
      const what = document.querySelector("[name=what]:checked").value;
      const point = [x, y].map(field => Number(field.value).toFixed(3)).join(", ");
      return {
        hold: `hold: [${point}]`,
        neutral: `look: {white_balance: {neutral: [${point}]}}`,
        centre: `framing: {centre: [${point}]}`,
      }[what];
    };
    plan.addEventListener("click", event => {
      const frame = plan.getBoundingClientRect();
      const part = (place, start, size) => Math.min(1, Math.max(0, (place - start) / size)).toFixed(3);
      x.value = part(event.clientX, frame.left, frame.width);
      y.value = part(event.clientY, frame.top, frame.height);
      mark();
      copy(chosen());
    });
    for (const field of [x, y]) field.addEventListener("input", mark);
    document.querySelector("#point").addEventListener("submit", event => {
      event.preventDefault();
      mark();
      copy(chosen());
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

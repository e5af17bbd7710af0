"use strict";
/* Tables that are folded on the screen, each under a button with its name; in print, and without this program, all are there. */
document.querySelectorAll(".fold > button").forEach((button) => {
  button.onclick = () => button.setAttribute("aria-expanded", String(button.getAttribute("aria-expanded") === "false"));
});

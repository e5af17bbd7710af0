"use strict";
/* Tables that are folded on the screen are open in print. */
(() => {
  const folded = () => document.querySelectorAll("details.fold:not([open])");
  let opened = [];
  addEventListener("beforeprint", () => {
    opened = [...folded()];
    opened.forEach((of) => { of.open = true; });
  });
  addEventListener("afterprint", () => opened.forEach((of) => { of.open = false; }));
})();

"use strict";
/* Buttons that copy a text of the page; where the browser does not let them, the text is marked, to be copied by hand. */
document.querySelectorAll("button.copy").forEach((button) => {
  const text = document.getElementById(button.dataset.copies), said = button.nextElementSibling;
  button.onclick = async () => {
    getSelection().selectAllChildren(text);
    try {
      await navigator.clipboard.writeText(text.textContent);
      said.textContent = "copied";
    } catch {
      said.textContent = "marked: press Ctrl+C or Command+C";
    }
  };
});

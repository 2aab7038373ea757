// The page on which a case is entered. It works without this; here are its keys and its notes.

import { Notes } from "./notes.js";
import { Places } from "./places.js";

const form = document.getElementById("entry");
const table = document.getElementById("construct");
const save = document.getElementById("save");

if (table) {
  const places = new Places(table);
  new Notes(form).follow();
  document.querySelector(".keys").hidden = false;
  if (form.dataset.focus === "construct") places.focusFirst();
}

const wanted = form.dataset.focus && document.getElementById(form.dataset.focus);
if (wanted && wanted !== table) wanted.focus();

for (const link of document.querySelectorAll(".faults a")) {
  link.addEventListener("click", (event) => {
    event.preventDefault();
    document.getElementById(link.hash.slice(1))?.focus();
  });
}

form.addEventListener("keydown", (event) => {
  if (event.key === "Enter" && event.ctrlKey && save) {
    event.preventDefault();
    form.requestSubmit(save);
  }
});

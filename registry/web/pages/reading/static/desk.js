// The reading desk: opens the screw of the page. Once it is saved the next one takes its place
// without another page, where it was fetched ahead; whatever else comes next is a page of its own.

import { Ahead, pageAt } from "./ahead.js";
import { Api } from "./api.js";
import { openScrew } from "./screw.js";

const BESIDE = "/reading/made/";

const ahead = new Ahead();
let close = () => {};

const token = () => document.querySelector('meta[name="form-token"]').content;
const pathOf = (address) => new URL(address, window.location.href).pathname;

/** Puts the screw of the page that stands here on the desk. */
function open(kept = undefined, words = "") {
  const { address, coming } = document.getElementById("desk").dataset;
  close = openScrew(new Api(address, token(), kept), {
    come: () => ahead.begin(coming ?? null, address, token()),
    inPlace: () => ahead.address,
    saved: (answer) => go(answer.next, answer.told),
  }, words);
}

/** Puts a page in the place of this one, under its own address and title. */
function put(page, address) {
  close();
  const known = new Set([...document.styleSheets].map((sheet) => sheet.href));
  for (const link of page.head.querySelectorAll('link[rel="stylesheet"]')) {
    if (!known.has(new URL(link.getAttribute("href"), window.location.href).href)) {
      document.head.append(document.adoptNode(link));
    }
  }
  document.querySelector("main").replaceWith(document.adoptNode(page.querySelector("main")));
  document.title = page.title;
  window.history.pushState(null, "", address);
  window.scrollTo(0, 0);
}

/** Goes on to where the server says: in place where that is the screw that is held, or shows it. */
async function go(address, words) {
  const path = pathOf(address);
  const found = ahead.address === path ? ahead.take(path) : null;
  if (found) {
    put(found.page, path);
    open(found.kept, words ? `The last reading was saved. ${words}.` : "");
  } else if (path.startsWith(BESIDE) && ahead.address) {
    await showBeside(address);
  } else {
    window.location.assign(address);
  }
}

// What the program measured stands between two screws; what was fetched ahead outlives it.
async function showBeside(address) {
  try {
    put(await pageAt(address), address);
  } catch {
    window.location.assign(address);
    return;
  }
  const onward = document.querySelector('main form[method="get"]');
  onward?.addEventListener("submit", (event) => {
    if (pathOf(onward.action) !== ahead.address) return;
    event.preventDefault();
    go(onward.action);
  });
  document.querySelector("main [autofocus]")?.focus();
}

open();
// The pages of before are not held: the browser's own way back opens them anew.
window.addEventListener("popstate", () => window.location.reload());

// Whoever sits here next finds nothing of what was marked, also where the browser clears nothing.
document.querySelector("form.leave")?.addEventListener("submit", () => {
  window.sessionStorage.clear();
});

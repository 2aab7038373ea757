// The reading desk: opens the screw of the page. Once it is saved, the next one takes its place
// without another page where it was fetched ahead, else by its own address.

import { Api } from "./api.js";
import { openScrew } from "./screw.js";

const token = () => document.querySelector('meta[name="form-token"]').content;
const addressOfPage = () => document.getElementById("desk").dataset.address;

openScrew(new Api(addressOfPage(), token()), {
  come: () => {},
  inPlace: () => null,
  saved: (answer) => window.location.assign(answer.next),
});

// Whoever sits here next finds nothing of what was marked, also where the browser clears nothing.
document.querySelector("form.leave")?.addEventListener("submit", () => {
  window.sessionStorage.clear();
});

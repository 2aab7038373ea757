// The page on which files are chosen and sent up; what is up is safe, whatever becomes of the page.

import { Chosen, sizeWords } from "./chosen.js";
import { Upload } from "./upload.js";

const TOLD_EVERY_MILLISECONDS = 3000;

const part = (id) => document.getElementById(id);
const place = part("send");
const chosen = new Chosen();
let upload = null;
let lastTold = 0;

function show(lines) {
  const faults = part("send-faults");
  faults.hidden = lines.length === 0;
  faults.replaceChildren(
    ...lines.map((line) => Object.assign(document.createElement("p"), { textContent: line })),
  );
}

/** Says what is chosen; a folder and files may be chosen together. */
function tell() {
  const { count, bytes } = chosen;
  part("picked").textContent = count
    ? `${count} ${count === 1 ? "file" : "files"} chosen, ${sizeWords(bytes)}.`
    : "Nothing chosen yet.";
  part("start").disabled = count === 0;
}

/** Shows how much is up; said aloud now and then, not with every piece. */
function follow({ filesDone, files, bytesDone, bytes }) {
  part("bar").max = Math.max(1, bytes);
  part("bar").value = bytes ? bytesDone : 1;
  const words =
    `${filesDone} of ${files} files are up, ${sizeWords(bytesDone)} of ${sizeWords(bytes)}`;
  part("sent-told").textContent = words;
  if (Date.now() - lastTold > TOLD_EVERY_MILLISECONDS) {
    lastTold = Date.now();
    part("sent-aloud").textContent = `${words}.`;
  }
}

function whileSending(isSending) {
  for (const id of ["pick-files", "pick-folder", "start"]) part(id).disabled = isSending;
  part("pause").hidden = !isSending;
  part("sent").hidden = false;
  const finish = part("finish");
  if (finish) finish.querySelector("button").disabled = isSending;
  // The arrival's own page has these two as forms; the page that opened it gets them here.
  part("enough").hidden = isSending || finish !== null || !upload?.isBegun;
  part("drop-all").hidden = part("drop") !== null;
}

async function send() {
  show([]);
  part("send-state").textContent = "Sending. You may leave this page: what is up stays.";
  upload ??= new Upload(place, (state) => { part("send-state").textContent = state; });
  whileSending(true);
  part("pause").focus();
  const ended = await upload.send(chosen.files, follow);
  whileSending(false);
  show(ended.faults);
  if (ended.isWhole) {
    part("send-state").textContent = "All of it is up. The program looks through it now.";
    upload.leaveBy("finish");
  } else {
    part("send-state").textContent = ended.words;
    part("start").textContent = "Go on sending";
    part("start").focus();
  }
}

for (const id of ["pick-files", "pick-folder"]) {
  const take = () => {
    chosen.set(id, part(id).files);
    tell();
  };
  part(id).addEventListener("change", take);
  // What was chosen before this ran, or is held by the browser from an earlier visit.
  take();
}
part("start").addEventListener("click", send);
part("pause").addEventListener("click", () => upload.stop());
part("enough").addEventListener("click", () => upload.leaveBy("finish"));
part("drop-all").addEventListener("click", () => {
  upload.stop();
  upload.leaveBy("cancel");
});

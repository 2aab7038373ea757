// Follows what the program does with an arrival by itself; when that ends, the page is asked anew.

const EVERY_MILLISECONDS = 1000;
const AFTER_A_FAILURE_MILLISECONDS = 5000;

const place = document.getElementById("follow");
const told = document.getElementById("follow-told");
const bar = document.getElementById("bar");

const sentence = (words) => `${words[0].toUpperCase()}${words.slice(1)}.`;

async function look() {
  let wait = EVERY_MILLISECONDS;
  try {
    const answer = await fetch(place.dataset.address, {
      credentials: "same-origin",
      headers: { Accept: "application/json" },
    });
    if (answer.status === 401) return location.reload();
    if (!answer.ok) throw new Error(`status ${answer.status}`);
    const now = await answer.json();
    if (now.state !== place.dataset.state || !now.goes_on_by_itself) return location.reload();
    show(now);
  } catch {
    told.textContent = "The server cannot be reached just now; what it does goes on.";
    wait = AFTER_A_FAILURE_MILLISECONDS;
  }
  return setTimeout(look, wait);
}

function show(now) {
  const words = sentence(now.words);
  if (told.textContent !== words) told.textContent = words;
  if (!bar) return;
  bar.max = Math.max(1, now.total);
  bar.value = now.done;
}

setTimeout(look, EVERY_MILLISECONDS);

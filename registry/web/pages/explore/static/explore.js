// Going back in the browser's history would leave the focus on top of the page: the address of the
// page that is left names the link that led away, and the page that is come back to takes it up.

const PLACE = "a[data-place]";

document.addEventListener("click", (event) => {
  const link = event.target instanceof Element ? event.target.closest(PLACE) : null;
  if (link && event.button === 0 && !event.ctrlKey && !event.metaKey && !event.shiftKey) {
    history.replaceState(history.state, "", `#${link.id}`);
  }
});

addEventListener("pageshow", () => {
  const found = document.getElementById(location.hash.slice(1));
  if (found?.matches(PLACE)) {
    found.focus();
  }
});

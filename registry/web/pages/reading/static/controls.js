// Buttons, choices and the window's own events, led to what they do.

const REDRAWN_ON = ["focusin", "focusout"];

/**
 * @param {HTMLElement} root the desk
 * @param {Object<string, () => void>} buttons what a click on each button does, by its id
 * @param {Object<string, (value: string) => void>} choices what each choice does, by its name
 * @param {object} told setWindow, look (which picture, what is asked), drawSoon, leaving
 *   (the page may be left now) and isAtRisk (whether that would lose something)
 * @param {AbortSignal} signal ends what was wired to the page itself
 */
export function wire(root, buttons, choices, told, signal) {
  for (const [id, act] of Object.entries(buttons)) {
    document.getElementById(id).addEventListener("click", act);
  }
  root.addEventListener("click", ({ target }) => {
    const button = target.closest("[data-look]");
    if (button) told.look(button.dataset.picture, button.dataset.look);
  });
  const [low, high] = ["window-low", "window-high"].map((id) => document.getElementById(id));
  root.addEventListener("change", ({ target }) => {
    choices[target.name]?.(target.value);
    if (target === low || target === high) {
      told.setWindow(low.valueAsNumber || 0, high.valueAsNumber || 0);
    }
  });
  for (const kind of REDRAWN_ON) root.addEventListener(kind, told.drawSoon);
  // A folded part of the page tells that it was opened, but not those around it.
  root.addEventListener("toggle", told.drawSoon, { capture: true });
  window.addEventListener("resize", told.drawSoon, { signal });
  window.addEventListener("pagehide", told.leaving, { signal });
  document.addEventListener(
    "visibilitychange",
    () => {
      if (document.visibilityState === "hidden") told.leaving();
      told.drawSoon();
    },
    { signal },
  );
  window.addEventListener(
    "beforeunload",
    (event) => {
      told.leaving();
      if (told.isAtRisk()) event.preventDefault();
    },
    { signal },
  );
}

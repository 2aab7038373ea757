// The next screw, fetched while this one is read: its page, its pictures and, where the program
// proposes an axis, its sections. One screw, in this page's memory alone and for this page alone.

import { Api } from "./api.js";
import { placeParameters } from "./pictures.js";

/** More than a usual screw takes by ten; beyond it the rest is fetched when it is asked for. */
const MOST_BYTES = 32 * 1024 * 1024;
const QUIET_MS = 300;

const whenIdle = (act) =>
  window.requestIdleCallback ? window.requestIdleCallback(act, { timeout: 2000 }) : setTimeout(act, QUIET_MS);

/** @returns {Promise<Document>} the page at an address; throws where it is not there */
export async function pageAt(address, signal = undefined) {
  const options = { credentials: "same-origin", headers: { Accept: "text/html" }, signal };
  const answer = await fetch(address, options);
  if (!answer.ok || answer.redirected) throw new Error(`no page at ${address}`);
  return new DOMParser().parseFromString(await answer.text(), "text/html");
}

export class Ahead {
  #life = null;
  #address = null;
  #page = null;
  #bytes = 0;
  #kept = new Map();

  /** The address of the screw that could be put on the desk at once, null while there is none. */
  get address() {
    return this.#page ? this.#address : null;
  }

  /**
   * Fetches a screw once the browser has nothing else to do; another one is dropped.
   * @param {?string} address of the screw; null where nothing follows
   * @param {string} now the address of the one that is read now: it will have been read by then
   */
  begin(address, now, token) {
    if (address === this.#address) return;
    this.drop();
    if (!address) return;
    this.#address = address;
    this.#life = new AbortController();
    const { signal } = this.#life;
    // What cannot be fetched now is fetched when it is asked for.
    const after = now.split("/").at(-1);
    whenIdle(() => this.#fetch(address, after, token, signal).catch(() => {}));
  }

  async #fetch(address, after, token, signal) {
    signal.throwIfAborted();
    const page = await pageAt(`${address}?after=${after}`, signal);
    if (page.getElementById("desk")?.dataset.address !== address) return;
    this.#page = page;
    const api = new Api(address, token);
    const take = async (path, parameters = {}) => {
      if (this.#bytes > MOST_BYTES) return;
      const picture = await api.picture(path, parameters, signal);
      signal.throwIfAborted();
      this.#bytes += picture.values.byteLength;
      this.#kept.set(Api.placeOf(path, parameters), picture);
    };
    await take("metal");
    await take("plane/axial");
    // Nothing that the program measured is asked for ahead: who is shown it is kept.
    const axis = await api.get("proposed-axis?ahead=yes", signal);
    signal.throwIfAborted();
    if (!axis.is_partial) this.#kept.set("proposed-axis", axis);
    if (!axis.is_found) return;
    const place = { entry: axis.entry_mm, tip: axis.tip_mm, midplane: axis.midplane_mm ?? [] };
    await take("sections", placeParameters(place));
    await take("along/medial", placeParameters(place));
  }

  /** @returns {?{page: Document, kept: Map}} what there is of an address, handed over once */
  take(address) {
    const found = this.address === address ? { page: this.#page, kept: this.#kept } : null;
    this.drop();
    return found;
  }

  drop() {
    this.#life?.abort();
    [this.#life, this.#address, this.#page, this.#bytes] = [null, null, null, 0];
    this.#kept = new Map();
  }
}

// Asks the server. Every failure becomes a Problem whose lines are meant to be read.

import { Picture } from "./picture.js";

export class Problem extends Error {
  /**
   * @param {string[]} lines what is wrong and how to mend it, one a line
   * @param {"refused" | "gone" | "ended" | "other"} kind the server said no; nobody answered; the
   *   session is over; it is somebody else's
   */
  constructor(lines, kind = "refused") {
    super(lines.join(" "));
    this.lines = lines;
    this.kind = kind;
  }
}

const KEPT = "what you marked and typed is kept";
const GONE = `The server cannot be reached; ${KEPT}. Save again once it is back: it is saved once.`;
const ENDED = `Signed out; ${KEPT}. Sign in again, here or in another tab, then save again.`;
const OTHER = `Somebody else is signed in now; ${KEPT}. Sign in as before, then save again.`;
/** Told by what stands between when the server itself is not there. */
const NOT_THERE = new Set([502, 503, 504]);
/** Told where the page is another person's than who is signed in now. */
const TAKEN_OVER = 412;
/** How the server begins what it says of a form token that is too old. */
const STALE = "This form was not sent from its own page";

const isStale = (error) => error instanceof Problem && error.lines[0]?.startsWith(STALE);

const nameIn = (page) => page.querySelector(".leave a")?.textContent;

async function problemOf(answer) {
  if (answer.status === 401) return new Problem([ENDED], "ended");
  if (answer.status === TAKEN_OVER) return new Problem([OTHER], "other");
  if (NOT_THERE.has(answer.status)) return new Problem([GONE], "gone");
  try {
    const told = await answer.json();
    if (Array.isArray(told.problem)) return new Problem(told.problem);
  } catch {
    // Not JSON: a proxy's own page, or nothing at all.
  }
  return new Problem([`The server answered ${answer.status}; ${KEPT}. Try again.`]);
}

export class Api {
  /**
   * @param {string} address of the screw's own page, such as /reading/5
   * @param {string} token sent with everything that is posted
   * @param {Map<string, Picture | object>} ahead what was fetched before, each used once
   */
  constructor(address, token, ahead = new Map()) {
    this.address = address;
    this.token = token;
    this.ahead = ahead;
    /** Told what became of each question: there, gone, ended or other. */
    this.line = () => {};
    /** Whose page this is, as a word that names nobody: the server refuses what another sends. */
    this.owner = document.getElementById("desk")?.dataset.owner ?? "";
  }

  async #answer(path, options) {
    try {
      const answer = await this.#asked(path, options);
      this.line("there");
      return answer;
    } catch (error) {
      // Whose turn it is shows once a stale token was asked for anew.
      if (error instanceof Problem && !isStale(error)) {
        this.line(error.kind === "refused" ? "there" : error.kind);
      }
      throw error;
    }
  }

  async #asked(path, options) {
    let answer;
    try {
      answer = await fetch(path ? `${this.address}/${path}` : this.address, {
        credentials: "same-origin",
        ...options,
        headers: { Accept: "application/json", "Desk-Owner": this.owner, ...options.headers },
      });
    } catch (error) {
      if (error.name === "AbortError") throw error;
      throw new Problem([GONE], "gone");
    }
    if (answer.ok) return answer;
    const problem = await problemOf(answer);
    // What was wrong with a question that is no longer asked is nobody's problem.
    options.signal?.throwIfAborted();
    throw problem;
  }

  /** @returns {string} a picture's path with what it is asked for with */
  static placeOf(path, parameters) {
    const query = new URLSearchParams(parameters).toString();
    return query ? `${path}?${query}` : path;
  }

  #held(place) {
    const found = this.ahead.get(place);
    this.ahead.delete(place);
    return found;
  }

  /** @returns {Promise<object>} the document at a path */
  async get(path, signal = undefined) {
    const held = this.#held(path);
    if (held) return held;
    const answer = await this.#answer(path, { signal });
    return answer.json();
  }

  /** @returns {Promise<Picture>} planes of Hounsfield values with their layout */
  async picture(path, parameters = {}, signal = undefined) {
    const place = Api.placeOf(path, parameters);
    const held = this.#held(place);
    if (held) return held;
    const answer = await this.#answer(place, { signal });
    const layout = JSON.parse(answer.headers.get("Picture-Layout"));
    return new Picture(layout, await this.#bytes(answer));
  }

  // A line may break in mid-answer as well.
  async #bytes(answer) {
    try {
      return await answer.arrayBuffer();
    } catch (error) {
      if (error.name === "AbortError") throw error;
      this.line("gone");
      throw new Problem([GONE], "gone");
    }
  }

  /** Posts a document and returns the one that comes back; a stale token is renewed once. */
  async post(path, sent, signal = undefined) {
    try {
      return await this.#posted(path, sent, signal);
    } catch (error) {
      if (!isStale(error)) throw error;
      await this.#renewToken(signal);
      return this.#posted(path, sent, signal);
    }
  }

  async #posted(path, sent, signal) {
    const answer = await this.#answer(path, {
      method: "POST",
      signal,
      headers: { "Content-Type": "application/json", "X-CSRFToken": this.token },
      body: JSON.stringify(sent),
    });
    return answer.json();
  }

  /** Takes a new token from the page itself, asked for again, if it is still the same person's. */
  async #renewToken(signal) {
    const answer = await this.#answer("", { signal, headers: { Accept: "text/html" } });
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const token = page.querySelector('meta[name="form-token"]')?.content;
    const isSame = nameIn(page) && nameIn(page) === nameIn(document);
    const kind = !token ? "ended" : !isSame ? "other" : null;
    if (kind) {
      this.line(kind);
      throw new Problem([kind === "ended" ? ENDED : OTHER], kind);
    }
    this.token = token;
  }
}

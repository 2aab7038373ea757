// Asks the server. Every failure becomes a Problem whose lines are meant to be read.

import { Picture } from "./picture.js";

export class Problem extends Error {
  /** @param {string[]} lines what is wrong and how to mend it, one a line */
  constructor(lines) {
    super(lines.join(" "));
    this.lines = lines;
  }
}

/** What a person who signed out, or whose time ran out, has to do; the page keeps the marks. */
const SIGNED_OUT = "Signed out, nothing saved: sign in in another tab, then save again.";
const OTHER_PERSON =
  "Somebody else is signed in now, nothing saved: sign in as before in another tab, then save again.";
/** How the server begins what it says of a form token that is too old. */
const STALE = "This form was not sent from its own page";

const nameIn = (page) => page.querySelector(".leave span")?.textContent;

async function linesOf(answer) {
  if (answer.status === 401) return [SIGNED_OUT];
  try {
    const told = await answer.json();
    if (Array.isArray(told.problem)) return told.problem;
  } catch {
    // Not JSON: a proxy's own page, or nothing at all.
  }
  return [`The server answered ${answer.status}; nothing was saved. Try again.`];
}

export class Api {
  /**
   * @param {string} address of the screw's own page, such as /reading/5
   * @param {string} token sent with everything that is posted
   */
  constructor(address, token) {
    this.address = address;
    this.token = token;
  }

  async #answer(path, options) {
    let answer;
    try {
      answer = await fetch(path ? `${this.address}/${path}` : this.address, {
        credentials: "same-origin",
        ...options,
        headers: { Accept: "application/json", ...options.headers },
      });
    } catch (error) {
      if (error.name === "AbortError") throw error;
      throw new Problem(["The server cannot be reached; nothing was saved. Try again."]);
    }
    if (answer.ok) return answer;
    const lines = await linesOf(answer);
    // What was wrong with a question that is no longer asked is nobody's problem.
    options.signal?.throwIfAborted();
    throw new Problem(lines);
  }

  /** @returns {Promise<Picture>} planes of Hounsfield values with their layout */
  async picture(path, parameters = {}, signal = undefined) {
    const query = new URLSearchParams(parameters).toString();
    const answer = await this.#answer(query ? `${path}?${query}` : path, { signal });
    const layout = JSON.parse(answer.headers.get("Picture-Layout"));
    return new Picture(layout, await answer.arrayBuffer());
  }

  /** Posts a document and returns the one that comes back; a stale token is renewed once. */
  async post(path, sent, signal = undefined) {
    try {
      return await this.#posted(path, sent, signal);
    } catch (error) {
      if (!(error instanceof Problem) || !error.lines[0]?.startsWith(STALE)) throw error;
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
    if (!token) throw new Problem([SIGNED_OUT]);
    if (nameIn(page) !== nameIn(document)) throw new Problem([OTHER_PERSON]);
    this.token = token;
  }
}

// Asks the server. Every failure becomes a Problem whose lines are meant to be read.

import { Picture } from "./picture.js";

export class Problem extends Error {
  /** @param {string[]} lines what is wrong and how to mend it, one a line */
  constructor(lines) {
    super(lines.join(" "));
    this.lines = lines;
  }
}

async function linesOf(answer) {
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
      answer = await fetch(`${this.address}/${path}`, {
        credentials: "same-origin",
        ...options,
        headers: { Accept: "application/json", ...options.headers },
      });
    } catch (error) {
      if (error.name === "AbortError") throw error;
      throw new Problem(["The server cannot be reached; nothing was saved. Try again."]);
    }
    if (!answer.ok) throw new Problem(await linesOf(answer));
    return answer;
  }

  /** @returns {Promise<Picture>} planes of Hounsfield values with their layout */
  async picture(path, parameters = {}, signal = undefined) {
    const query = new URLSearchParams(parameters).toString();
    const answer = await this.#answer(query ? `${path}?${query}` : path, { signal });
    const layout = JSON.parse(answer.headers.get("Picture-Layout"));
    return new Picture(layout, await answer.arrayBuffer());
  }

  /** Posts a document and returns the document that comes back. */
  async post(path, document, signal = undefined) {
    const answer = await this.#answer(path, {
      method: "POST",
      signal,
      headers: { "Content-Type": "application/json", "X-CSRFToken": this.token },
      body: JSON.stringify(document),
    });
    return answer.json();
  }
}

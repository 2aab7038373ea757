// Asks the server on behalf of the upload. Three ways to fail: the line broke (try again), this
// file is refused (go on with the others), nothing more can be sent (stop).

class Told extends Error {
  /** @param {string[]} lines to be read */
  constructor(lines) {
    super(lines.join(" "));
    this.lines = lines;
  }
}

export class Refused extends Told {}
export class Fatal extends Told {}
/** After the last try it is what stops the upload. */
export class Lost extends Fatal {}

const BROKEN = "The server cannot be reached. What is up stays; go on once it can.";
const SIGNED_OUT = "Signed out: sign in in another tab, then go on here. What is up stays.";
const PASSING = new Set([408, 429, 500, 502, 503, 504]);
/** How the server begins what it says of a form token that is too old. */
const STALE = "This form was not sent from its own page";

async function linesOf(answer) {
  try {
    const told = await answer.json();
    if (Array.isArray(told.problem)) return told.problem;
  } catch {
    // Not JSON: a proxy's own page, or nothing at all.
  }
  return [`the server answered ${answer.status}`];
}

export class Server {
  /**
   * @param {string} begin where an arrival is opened
   * @param {string} address of the arrival's own page; '' before there is one
   */
  constructor(begin, address) {
    this.beginAt = begin;
    this.address = address;
    this.token = document.querySelector('meta[name="form-token"]').content;
  }

  /** Opens an arrival where there is none yet; the browser's address is then its page. */
  async begin() {
    if (this.address) return;
    const { address } = await this.#post(this.beginAt, null, {});
    this.address = address;
    history.replaceState(null, "", address);
  }

  /** @returns {Promise<{held: Object<string, number|null>}>} by word; null is all of it */
  held(words) {
    return this.#post(`${this.address}/held`, JSON.stringify(words), {
      "Content-Type": "application/json",
    });
  }

  /** @returns {Promise<number>} bytes of the file that are safe, from its beginning */
  async piece(word, start, size, bytes) {
    const { held } = await this.#post(`${this.address}/files`, bytes, {
      "Content-Type": "application/octet-stream",
      "File-Word": word,
      "File-Start": String(start),
      "File-Size": String(size),
    });
    return held;
  }

  /** Sends a form of the arrival's page; what the server answers is the next page. */
  leaveBy(deed) {
    if (!this.address) return;
    const form = document.createElement("form");
    form.method = "post";
    form.action = `${this.address}/${deed}`;
    form.append(Object.assign(document.createElement("input"), {
      type: "hidden", name: "csrf_token", value: this.token,
    }));
    document.body.append(form);
    form.submit();
  }

  async #post(address, body, headers) {
    try {
      return await this.#posted(address, body, headers);
    } catch (error) {
      if (!error.lines?.[0]?.startsWith(STALE)) throw error;
      await this.#renewToken();
      return this.#posted(address, body, headers);
    }
  }

  async #posted(address, body, headers) {
    let answer;
    try {
      answer = await fetch(address, {
        method: "POST",
        credentials: "same-origin",
        headers: { Accept: "application/json", "X-CSRFToken": this.token, ...headers },
        body,
      });
    } catch {
      throw new Lost([BROKEN]);
    }
    if (answer.ok) return answer.json();
    if (answer.status === 401) throw new Fatal([SIGNED_OUT]);
    if (PASSING.has(answer.status)) throw new Lost([BROKEN, ...await linesOf(answer)]);
    const Kind = answer.status === 400 || answer.status === 413 ? Refused : Fatal;
    throw new Kind(await linesOf(answer));
  }

  /** Takes a new token from a page asked for again: who signs in anew has another one. */
  async #renewToken() {
    const answer = await fetch(this.beginAt, { credentials: "same-origin" });
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const token = page.querySelector('meta[name="form-token"]')?.content;
    if (!answer.ok || !token) throw new Fatal([SIGNED_OUT]);
    this.token = token;
  }
}

// Sends files up in pieces, a few files at once. Each piece is acknowledged once it is safe on the
// server's disk; a piece whose answer was lost is sent again, and one that is there already is not.

import { nameOf } from "./chosen.js";
import { Fatal, Lost, Refused, Server } from "./server.js";

const AT_ONCE = 3;
/** How long to wait before each further try of a piece: about two minutes in all. */
const WAITS_MILLISECONDS = [500, 1000, 2000, 4000, 8000, 15000, 30000, 60000];
const NAMED = 20;
const STOPPED = "Stopped. What is up stays; go on here, or later from the list.";

const sleep = (milliseconds) => new Promise((wake) => setTimeout(wake, milliseconds));

const hex = (bytes) =>
  [...new Uint8Array(bytes)].map((byte) => byte.toString(16).padStart(2, "0")).join("");

/** A word for a file, the same whenever the same file is chosen; else one of chance. */
async function wordOf(file) {
  if (!crypto.subtle) return hex(crypto.getRandomValues(new Uint8Array(16)));
  const told = new TextEncoder().encode(`${nameOf(file)}|${file.size}|${file.lastModified}`);
  return hex(await crypto.subtle.digest("SHA-256", told)).slice(0, 32);
}

export class Upload {
  #words = new WeakMap();
  #done = new Set();
  #faults = [];

  /**
   * @param {HTMLElement} place with the addresses and sizes in its data
   * @param {(words: string) => void} say what goes on, to be read
   */
  constructor(place, say) {
    this.server = new Server(place.dataset.begin, place.dataset.address);
    this.pieceBytes = Number(place.dataset.pieceBytes);
    this.mostAsked = Number(place.dataset.mostAsked);
    this.say = say;
  }

  stop() {
    this.isStopped = true;
  }

  /** Whether there is an arrival on the server. */
  get isBegun() {
    return this.server.address !== "";
  }

  /** Says that nothing more comes (finish), or drops all of it (cancel); leaves the page. */
  leaveBy(deed) {
    this.server.leaveBy(deed);
  }

  /**
   * Sends what is not up yet.
   * @param {File[]} files
   * @param {(told: object) => void} follow hears how much is up
   * @returns {Promise<{isWhole: boolean, words: string, faults: string[]}>}
   */
  async send(files, follow) {
    this.isStopped = false;
    this.#faults = [];
    this.progress = { files: files.length, filesDone: 0, bytesDone: 0 };
    this.progress.bytes = files.reduce((sum, file) => sum + file.size, 0);
    this.follow = () => follow(this.progress);
    try {
      await this.server.begin();
      await this.#sendAll(files);
    } catch (error) {
      if (!(error instanceof Fatal)) throw error;
      return { isWhole: false, words: "Stopped.", faults: [...error.lines, ...this.#named()] };
    }
    return this.#ended();
  }

  async #sendAll(files) {
    const waiting = await this.#notUp(files);
    this.follow();
    const workers = Array.from({ length: Math.min(AT_ONCE, waiting.length) }, async () => {
      while (waiting.length && !this.isStopped) {
        const { file, held } = waiting.shift();
        await this.#sendOne(file, held);
      }
    });
    try {
      await Promise.all(workers);
    } finally {
      this.isStopped = true;
    }
    this.isStopped = waiting.length > 0;
  }

  /** Returns the files that are not up, each with how much of it is. */
  async #notUp(files) {
    const left = [];
    for (let at = 0; at < files.length; at += this.mostAsked) {
      const some = files.slice(at, at + this.mostAsked);
      const words = await Promise.all(some.map((file) => this.#word(file)));
      const { held } = await this.#again(() => this.server.held(words));
      some.forEach((file, place) => {
        const there = held[words[place]];
        if (there === null) this.#count(file, file.size);
        else left.push({ file, held: this.#startOf(file, there) });
      });
    }
    return left;
  }

  /** Counts what is there of a file; all of it, not yet taken, is asked for from the beginning. */
  #startOf(file, there) {
    const start = there < file.size ? there : 0;
    this.progress.bytesDone += start;
    return start;
  }

  async #word(file) {
    if (!this.#words.has(file)) this.#words.set(file, await wordOf(file));
    return this.#words.get(file);
  }

  #count(file, bytes) {
    this.#done.add(file);
    this.progress.filesDone += 1;
    this.progress.bytesDone += bytes;
  }

  async #sendOne(file, held) {
    const word = await this.#word(file);
    let start = held;
    try {
      do {
        if (this.isStopped) return;
        const piece = await this.#piece(file, start);
        const there = await this.#again(() => this.server.piece(word, start, file.size, piece));
        this.progress.bytesDone += there - start;
        start = there;
        this.follow();
      } while (start < file.size);
      this.#count(file, 0);
      this.follow();
    } catch (error) {
      if (!(error instanceof Refused)) throw error;
      this.#faults.push(`${nameOf(file)}: ${error.lines.join(" ")}`);
    }
  }

  async #piece(file, start) {
    try {
      return await file.slice(start, start + this.pieceBytes).arrayBuffer();
    } catch {
      throw new Refused(["it can no longer be read here"]);
    }
  }

  /** Asks the server, again after a while where the line broke. */
  async #again(ask) {
    for (const wait of WAITS_MILLISECONDS) {
      try {
        return await ask();
      } catch (error) {
        if (!(error instanceof Lost) || this.isStopped) throw error;
        this.say("The line to the server broke; trying again.");
        await sleep(wait);
      }
    }
    return ask();
  }

  #named() {
    const more = this.#faults.length - NAMED;
    const shown = this.#faults.slice(0, NAMED);
    return more > 0 ? [...shown, `${more} more files could not be sent.`] : shown;
  }

  #ended() {
    if (this.#faults.length) {
      const count = this.#faults.length;
      const words = `${count} ${count === 1 ? "file" : "files"} could not be sent; try again, or ` +
        "say that what is up is all.";
      return { isWhole: false, words, faults: this.#named() };
    }
    return { isWhole: !this.isStopped, words: STOPPED, faults: [] };
  }
}

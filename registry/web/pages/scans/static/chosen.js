// The files that a person chose, from a folder, singly, or both.

const MEGABYTE = 1_000_000;
/** Files that systems put into folders by themselves. */
const NOT_SENT = /(^|\/)(\.[^/]*|Thumbs\.db|desktop\.ini)$/i;

/** A number of bytes in words. */
export function sizeWords(bytes) {
  const megabytes = bytes / MEGABYTE;
  return `${megabytes < 10 ? megabytes.toFixed(1) : Math.round(megabytes)} MB`;
}

export const nameOf = (file) => file.webkitRelativePath || file.name;

export class Chosen {
  #from = new Map();

  /** Takes what one of the fields holds now. */
  set(field, files) {
    this.#from.set(field, [...files].filter((file) => !NOT_SENT.test(nameOf(file))));
  }

  get files() {
    return [...this.#from.values()].flat();
  }

  get count() {
    return this.files.length;
  }

  get bytes() {
    return this.files.reduce((sum, file) => sum + file.size, 0);
  }
}

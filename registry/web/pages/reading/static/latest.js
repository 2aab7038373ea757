// Asking the server while the reader goes on: only the newest question counts.

/**
 * @param {number} pause milliseconds without another call before it runs
 * @param {(signal: AbortSignal) => Promise<void>} run
 * @param {(error: Error) => void} failed told what went wrong
 * @returns {(pause?: number) => void} runs the newest call only; what an older one was waiting for
 *   is dropped
 */
export function latest(pause, run, failed) {
  let timer = null;
  let controller = null;
  return (wait = pause) => {
    clearTimeout(timer);
    controller?.abort();
    controller = new AbortController();
    const { signal } = controller;
    timer = setTimeout(() => run(signal).catch(failed), wait);
  };
}

// Asking the server while the reader goes on: only the newest question counts.

/**
 * @param {number} pause milliseconds without another call before it runs
 * @param {(signal: AbortSignal) => Promise<void>} run
 * @param {(error: Error) => void} failed told what went wrong
 * @returns {((pause?: number) => void) & {drop: () => void}} runs the newest call only; what an
 *   older one was waiting for is dropped, and with drop() the newest one too
 */
export function latest(pause, run, failed) {
  let timer = null;
  let controller = null;
  const drop = () => {
    clearTimeout(timer);
    controller?.abort();
  };
  const ask = (wait = pause) => {
    drop();
    controller = new AbortController();
    const { signal } = controller;
    timer = setTimeout(() => run(signal).catch(failed), wait);
  };
  return Object.assign(ask, { drop });
}

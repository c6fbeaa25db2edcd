// Requests of the bedside page. Every failure is one of four: no line, no log-in, refused for good, or try again later.
import { bounded } from "../../tributary/numbers.js";

const PATIENCE_MS = 12_000;
const BATCH_PATIENCE_MS = 30_000;
const LONGEST_S = 60;

export class NoLine extends Error {}
export class NeedsLogIn extends Error {}
export class TryLater extends Error {
  /**
   * @param {number} seconds
   * @param {number} status
   */
  constructor(seconds, status = 0) {
    super("later");
    this.seconds = seconds;
    this.status = status;
  }
}
export class Refused extends Error {
  /**
   * @param {number} status
   * @param {Problem} problem
   */
  constructor(status, problem) {
    super(problem.message ?? `The server answered ${status}.`);
    this.status = status;
    this.problem = problem;
  }
}

/**
 * Seconds to wait. A proxy may ask for hours, and a timer of more than 24 days goes off at once.
 * @param {string | null} header
 */
export function retryAfter(header) {
  return Math.min(bounded(header, [0, Number.MAX_VALUE], 0), LONGEST_S);
}

/** @typedef {RequestInit & {patience?: number}} Options */

/**
 * @param {string} address
 * @param {AbortSignal} stopped
 * @param {Options} options
 * @returns {Promise<{headers: Headers, body: any}>}
 */
async function request(address, stopped, options = {}) {
  const patience = AbortSignal.timeout(options.patience ?? PATIENCE_MS);
  let response;
  try {
    response = await fetch(address, {
      cache: "no-store",
      credentials: "same-origin",
      redirect: "error",
      signal: AbortSignal.any?.([stopped, patience]) ?? patience,
      ...options,
      headers: { Accept: "application/json", ...options.headers },
    });
    const { headers } = response;
    if (response.status === 304) return { headers, body: null };
    if (response.ok) return { headers, body: await response.json() };
  } catch (error) {
    throw new NoLine(String(error));
  }
  const problem = await response.json().catch(() => ({}));
  // 423: locked. The page locks itself at once, and entries wait as after a log-in run out.
  if (response.status === 423) document.dispatchEvent(new CustomEvent("locked"));
  if (response.status === 401 || response.status === 423 || (response.status === 403 && problem.code === "not_authenticated")) {
    throw new NeedsLogIn();
  }
  if (response.status >= 500 || response.status === 429 || response.status === 408) {
    throw new TryLater(retryAfter(response.headers.get("Retry-After")), response.status);
  }
  throw new Refused(response.status, problem);
}

export class Transport {
  #stop = new AbortController();

  /** @param {string} base */
  constructor(base) {
    this.base = base;
  }

  // What is under way is broken off: an entry whose answer is missed is sent again and then a replay.
  stop() {
    this.#stop.abort();
  }

  /**
   * @param {string} address
   * @param {Options} [options]
   */
  #request(address, options) {
    return request(address, this.#stop.signal, options);
  }

  /**
   * Who is logged in and the token for writing; always fresh, since one from before an outage is stale.
   * @returns {Promise<{me: string | null, token: string, server_now: Moment}>}
   */
  async token() {
    return (await this.#request(`${this.base}/token`)).body;
  }

  /**
   * Who is logged in is said also where there is nothing new.
   * @param {Key} id
   * @param {string | null} since
   * @returns {Promise<{me: string | null, answer: Known | null}>}
   */
  async session(id, since) {
    const { headers, body } = await this.#request(`${this.base}/sessions/${id}${since === null ? "" : `?since=${since}`}`);
    return { me: headers.get("Tributary-Person"), answer: body };
  }

  /**
   * @param {object} batch
   * @param {string} token
   * @param {string} author
   * @returns {Promise<{answers: Answer[]}>}
   */
  async send(batch, token, author) {
    /** @param {string} value */
    const post = async (value) =>
      (await this.#request(`${this.base}/entries`, {
        method: "POST",
        patience: BATCH_PATIENCE_MS,
        headers: { "Content-Type": "application/json", "X-CSRFToken": value },
        body: JSON.stringify(batch),
      })).body;
    try {
      return await post(token);
    } catch (error) {
      // The token may have changed between fetching and using it, for instance by a log-in in another tab.
      if (!(error instanceof Refused) || error.status !== 403) throw error;
      const { me, token: fresh } = await this.token();
      if (me === null) throw new NeedsLogIn();
      // Somebody else has logged in meanwhile: these are not theirs to send.
      if (me !== author) throw new TryLater(0);
      return post(fresh);
    }
  }
}

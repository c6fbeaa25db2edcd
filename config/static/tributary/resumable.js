// A file in pieces by the open protocol tus: goes on by itself after a short break, and where it stopped after a long one.
// What is remembered between two visits is the address of the upload and its size, under a digest; never a name of a file.
const PREFIX = "tributary-upload-";
const PIECE_BYTES = 8 * 1024 * 1024;

/**
 * @param {File} file
 * @param {{endpoint: string}} options
 */
async function fingerprint(file, options) {
  const told = [file.name, file.size, file.lastModified, options.endpoint].join("\n");
  const digest = await crypto.subtle.digest("SHA-256", new TextEncoder().encode(told));
  return PREFIX + [...new Uint8Array(digest)].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}

const memory = {
  async findAllUploads() {
    return [];
  },
  /** @param {string} print */
  async findUploadsByFingerprint(print) {
    const kept = localStorage.getItem(print);
    try {
      return kept ? [{ ...JSON.parse(kept), metadata: {}, urlStorageKey: print }] : [];
    } catch {
      return []; // What is kept is damaged: the file is sent from its start.
    }
  },
  /** @param {string} key */
  async removeUpload(key) {
    localStorage.removeItem(key);
  },
  /**
   * @param {string} print
   * @param {{size: number, uploadUrl: string, creationTime: string}} upload
   */
  async addUpload(print, { size, uploadUrl, creationTime }) {
    localStorage.setItem(print, JSON.stringify({ size, uploadUrl, creationTime }));
    return print;
  },
};

// Over plain HTTP on another machine a browser has no digests: then nothing is remembered.
const remembers = Boolean(globalThis.crypto?.subtle);

/** @param {any} error */
function words(error) {
  const said = error.originalResponse?.getBody();
  if (said && error.originalResponse.getStatus() < 600 && said.length < 500) return said;
  return "The line is lost. What was sent is kept for a day: choose Upload again, and it goes on from there.";
}

/**
 * Resolves to the key of the upload; rejects with a sentence. `stop` is given a function that ends the sending.
 * @param {File} file
 * @param {string} endpoint
 * @param {string} token
 * @param {{progress: (sent: number, total: number) => void, stop: (end: () => void) => void}} told
 * @returns {Promise<string>}
 */
export function sendInParts(file, endpoint, token, { progress, stop }) {
  return new Promise((resolve, reject) => {
    const upload = new window.tus.Upload(file, {
      endpoint,
      chunkSize: PIECE_BYTES,
      retryDelays: [0, 1000, 3000, 5000, 10000, 20000],
      metadata: { filename: file.name },
      headers: { "X-CSRFToken": token },
      fingerprint,
      urlStorage: memory,
      storeFingerprintForResuming: remembers,
      removeFingerprintOnSuccess: true,
      onProgress: progress,
      onError: (/** @type {unknown} */ error) => reject(new Error(words(error))),
      onSuccess: () => resolve(upload.url.match(/([0-9a-f-]{36})\/?$/)[1]),
    });
    stop(() => {
      upload.abort(true).catch(() => {});
      reject(new Error("Stopped. Nothing was stored."));
    });
    const known = remembers ? upload.findPreviousUploads() : Promise.resolve([]);
    known.then((/** @type {any[]} */ [previous]) => {
      if (previous) upload.resumeFromPreviousUpload(previous);
      upload.start();
    }, reject);
  });
}

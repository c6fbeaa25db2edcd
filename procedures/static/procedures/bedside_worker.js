// Keeps the frame of the bedside page and its static files, and nothing else: no data, no page of a person, no token.
// The server puts BUILD and FILES, the name of the page's build and the addresses of its files, before these lines.
const worker = /** @type {ServiceWorkerGlobalScope} */ (/** @type {unknown} */ (self));
const CACHE = `tributary-bedside-${BUILD}`;
const SHELL = "/bedside/shell/";
const PAGE = /^\/sessions\/[0-9a-f-]{36}\/bedside\/$/;

worker.addEventListener("install", (event) => {
  event.waitUntil(
    (async () => {
      const cache = await caches.open(CACHE);
      // Past the browser's own cache, or an old file could be kept under the new build's name.
      await cache.addAll([SHELL, ...FILES].map((address) => new Request(address, { cache: "reload" })));
      await worker.skipWaiting();
    })(),
  );
});

worker.addEventListener("activate", (event) => {
  event.waitUntil(
    (async () => {
      for (const name of await caches.keys()) {
        if (name.startsWith("tributary-bedside-") && name !== CACHE) await caches.delete(name);
      }
      await worker.clients.claim();
    })(),
  );
});

/**
 * The page has one build's files from the first to the last; every other page of the site goes to the server.
 * @param {Request} request
 * @param {Request | string} address
 */
async function kept(request, address) {
  const found = await caches.match(address, { cacheName: CACHE, ignoreVary: true });
  return found ?? fetch(request);
}

/**
 * @param {FetchEvent} event
 * @param {string} path
 */
async function file(event, path) {
  const client = await worker.clients.get(event.clientId);
  const ofPage = client && PAGE.test(new URL(client.url).pathname);
  return ofPage ? kept(event.request, path) : fetch(event.request);
}

/**
 * Opened without a line, the installed page goes to the session that was open last on this tablet.
 * @param {Request} request
 */
async function start(request) {
  try {
    return await fetch(request);
  } catch (error) {
    const session = await lastSession();
    if (session === null) throw error;
    return Response.redirect(`/sessions/${session}/bedside/`);
  }
}

async function lastSession() {
  if (!(await indexedDB.databases()).some(({ name }) => name === "tributary-bedside")) return null;
  /**
   * @template T
   * @param {IDBRequest<T>} request
   * @returns {Promise<T>}
   */
  const asked = (request) =>
    new Promise((resolve, reject) => {
      request.onsuccess = () => resolve(request.result);
      request.onerror = () => reject(request.error);
    });
  const db = await asked(indexedDB.open("tributary-bedside"));
  const rows = await asked(db.transaction("sessions").objectStore("sessions").getAll());
  db.close();
  return rows.sort((a, b) => b.savedAt - a.savedAt)[0]?.session ?? null;
}

worker.addEventListener("fetch", (event) => {
  const { request } = event;
  const address = new URL(request.url);
  if (request.method !== "GET" || address.origin !== worker.location.origin) return;
  if (request.mode === "navigate") {
    if (PAGE.test(address.pathname)) event.respondWith(kept(request, SHELL));
    else if (address.pathname === "/sessions/") event.respondWith(start(request));
  } else if (FILES.includes(address.pathname)) {
    event.respondWith(file(event, address.pathname));
  }
});

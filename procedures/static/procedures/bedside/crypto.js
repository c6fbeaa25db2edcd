// What lies in the browser's storage is sealed with a key that the browser never gives out, not even to this page.
const ALGORITHM = "AES-GCM";

export function makeKey() {
  return crypto.subtle.generateKey({ name: ALGORITHM, length: 256 }, false, ["encrypt", "decrypt"]);
}

/**
 * @param {CryptoKey} key
 * @param {unknown} value
 */
export async function seal(key, value) {
  const iv = crypto.getRandomValues(new Uint8Array(12));
  const plain = new TextEncoder().encode(JSON.stringify(value));
  return { iv, data: await crypto.subtle.encrypt({ name: ALGORITHM, iv }, key, plain) };
}

/**
 * @param {CryptoKey} key
 * @param {{iv: Uint8Array<ArrayBuffer>, data: ArrayBuffer}} sealed
 */
export async function unseal(key, { iv, data }) {
  const plain = await crypto.subtle.decrypt({ name: ALGORITHM, iv }, key, data);
  return JSON.parse(new TextDecoder().decode(plain));
}

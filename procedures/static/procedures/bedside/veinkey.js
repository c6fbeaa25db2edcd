/**
 * The key of a vein's record, the same on every tablet: two that are offline and enter the same vein make one record.
 * A UUIDv7 whose time is the session's start and whose other bits are a digest of session and vein.
 * @param {Key} session
 * @param {Moment} startedAt
 * @param {string} vein
 */
export async function tributaryKey(session, startedAt, vein, ordinal = 1) {
  const named = new TextEncoder().encode(`${session}/${vein}/${ordinal}`);
  const bytes = new Uint8Array(await crypto.subtle.digest("SHA-256", named)).slice(0, 16);
  let time = Date.parse(startedAt);
  if (!(time >= 0)) throw new RangeError(`The session's start is no moment: ${startedAt}`);
  for (let place = 5; place >= 0; place -= 1) {
    bytes[place] = time % 256;
    time = Math.floor(time / 256);
  }
  bytes[6] = (bytes[6] & 0x0f) | 0x70;
  bytes[8] = (bytes[8] & 0x3f) | 0x80;
  const hex = [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  return hex.replace(/^(.{8})(.{4})(.{4})(.{4})(.{12})$/, "$1-$2-$3-$4-$5");
}

// How times, numbers and records are said on the page.
/** @param {Moment | number | Date} moment */
export function clockTime(moment, seconds = true) {
  const date = new Date(moment);
  /** @param {number} number */
  const part = (number) => String(number).padStart(2, "0");
  const parts = [date.getHours(), date.getMinutes(), ...(seconds ? [date.getSeconds()] : [])];
  return parts.map(part).join(":");
}

/** @param {Moment | number} moment */
export function dayWords(moment) {
  return new Date(moment).toLocaleDateString("en-GB", { day: "numeric", month: "long", year: "numeric" });
}

/**
 * Hours, minutes and seconds.
 * @param {number} ms
 */
export function span(ms) {
  const total = Math.max(0, Math.floor(ms / 1000));
  /** @param {number} number */
  const part = (number) => String(number).padStart(2, "0");
  return `${part(Math.floor(total / 3600))}:${part(Math.floor(total / 60) % 60)}:${part(total % 60)}`;
}

/**
 * Keys are UUIDv7: their first 48 bits are the moment of entry in ms.
 * @param {Key} key
 */
export function enteredAt(key) {
  return Number(`0x${key.replaceAll("-", "").slice(0, 12)}`);
}

/**
 * @param {Choice[]} choices
 * @param {string} value
 */
export function labelOf(choices, value) {
  return choices.find((choice) => choice.value === value)?.label ?? value;
}

/** @param {number} number */
export function plain(number) {
  return String(Math.round(number * 1000) / 1000);
}

/** @type {Record<string, [string, string]>} */
export const SYNC = {
  here: ["○", "on this tablet"],
  sending: ["◐", "sending"],
  server: ["●", "on the server"],
  attention: ["▲", "needs attention"],
};

/**
 * @param {Shown} state
 * @param {Key | null} key
 */
export function tributaryName(state, key) {
  const one = state.tributaries.find((tributary) => tributary.key === key);
  if (!one) return "";
  const name = labelOf(state.vocabulary.veins, one.vein);
  return (one.ordinal ?? 1) > 1 ? `${name} (${one.ordinal})` : name;
}

/** @param {Record<string, any>} measurement */
export function measured(measurement) {
  const { capture_threshold_v: threshold, pulse_width_ms: width, impedance_ohm: impedance } = measurement;
  const parts = [];
  if (threshold != null) parts.push(`threshold ${plain(threshold)} V${width == null ? "" : ` at ${plain(width)} ms`}`);
  if (measurement.sensed_r_wave_mv != null) parts.push(`R wave ${plain(measurement.sensed_r_wave_mv)} mV`);
  if (impedance != null) parts.push(`${plain(impedance)} Ohm`);
  if (measurement.phrenic_threshold_v != null) parts.push(`phrenic at ${plain(measurement.phrenic_threshold_v)} V`);
  if (measurement.phrenic_none_up_to_v != null) parts.push(`no phrenic to ${plain(measurement.phrenic_none_up_to_v)} V`);
  if (measurement.qrs_duration_ms != null) parts.push(`QRS ${plain(measurement.qrs_duration_ms)} ms`);
  return parts.join(", ");
}

// What belongs together is taken together: a threshold with its pulse width, the two answers about the phrenic nerve.
const TOGETHER = [
  ["capture_threshold_v", "pulse_width_ms"],
  ["sensed_r_wave_mv"],
  ["impedance_ohm"],
  ["phrenic_threshold_v", "phrenic_none_up_to_v"],
  ["qrs_duration_ms"],
];

/**
 * The latest of each value measured with a site's own electrodes.
 * @param {Item} site
 * @param {Item[]} measurements
 */
export function latestOf(site, measurements) {
  const own = measurements
    .filter((one) => one.site === site.key && (!one.cathode || (one.cathode === site.cathode && one.anode === site.anode)))
    .sort((a, b) => Date.parse(a.measured_at) - Date.parse(b.measured_at));
  /** @type {Record<string, any>} */
  const found = {};
  for (const names of TOGETHER) {
    const one = own.findLast((measurement) => names.some((name) => name !== "pulse_width_ms" && measurement[name] != null));
    for (const name of names) found[name] = one?.[name] ?? null;
  }
  return found;
}

/**
 * What a threshold test says. Steps go down.
 * @param {Step[]} steps
 * @param {number} width in ms
 */
export function stepped(steps, width) {
  const captured = steps.filter((step) => step.captured);
  const lost = steps.find((step) => !step.captured);
  const at = `at ${plain(width)} ms`;
  if (lost && captured.length) {
    const threshold = plain(captured[captured.length - 1].amplitude_v);
    return `threshold ${threshold} V ${at}, capture lost at ${plain(lost.amplitude_v)} V`;
  }
  if (lost) return `no capture at ${plain(lost.amplitude_v)} V ${at}`;
  return captured.length ? `captured down to ${plain(captured[captured.length - 1].amplitude_v)} V ${at}, no loss` : "";
}

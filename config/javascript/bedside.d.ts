// What the bedside page's modules pass around. Read by the type check only; nothing of it is served.

/** A key is a UUID; the text of a moment is ISO 8601 with its offset from UTC, whichever that is. */
type Key = string;
type Moment = string;

interface Problem {
  code?: string;
  message?: string;
  http?: number;
  fields?: Record<string, string[]>;
  /** What the server holds in this entry's place. */
  stored?: Item | null;
}

/** An entry that the server has not confirmed. `sequence` is this tablet's own count. */
interface Entry {
  id: Key;
  sequence: number;
  session: Key;
  author: string | null;
  state: "waiting" | "attention";
  /** When it was entered, in ms by this tablet's clock. */
  since: number;
  kind: string;
  key: Key;
  version: number | null;
  based_on: Key | null;
  captured_at: Moment;
  captured_by: string | null;
  remove: boolean;
  payload: Record<string, any>;
  problem?: Problem;
}

/** A record of the server, or one laid over it: then `sync` says where it is. */
interface Item {
  key: Key;
  version?: number | null;
  sync?: "here" | "sending" | "server" | "attention";
  removed?: boolean;
  [name: string]: any;
}

interface Choice {
  value: string;
  label: string;
}

/** A vein has a short name too, for the proposed name of a site. */
interface Vein extends Choice {
  short: string;
}

/** One of the 17 segments: its outline as path data and the place of its number. */
interface Segment {
  number: number;
  name: string;
  ring: string;
  path: string;
  at: [number, number];
}

/** One line of the check before signing. */
interface Answered {
  question: string;
  said: string;
  blocks: boolean;
  missing: boolean;
  place?: string | null;
  url: string;
}

interface Vocabulary {
  collections: Record<string, string>;
  fields: Record<string, string[]>;
  entry_kinds: Choice[];
  obstacles: Choice[];
  veins: Vein[];
  parts: Choice[];
  [name: string]: any;
}

/** What the server said of a session. */
interface Known {
  vocabulary: Vocabulary;
  records: Record<string, Item[]>;
  rights: any;
  completeness: any;
  me: string | null;
  cursor?: string | null;
  whole?: boolean;
  removed?: Key[];
}

/** A session as the page shows it. */
interface Shown {
  vocabulary: Vocabulary;
  session: Item | null;
  entries: Item[];
  sites: Item[];
  tributaries: Item[];
  measurements: Item[];
  threshold_tests: Item[];
  decisions: Item[];
  [collection: string]: any;
}

/** A number that can be typed: the range it must lie in, and the one that is common. */
interface Quantity {
  label: string;
  unit: string;
  hard: [number, number];
  usual: [number, number];
  step: number;
  /** Offered to tap; with `within`, each opens the values up to the next one. */
  values: number[];
  within?: number;
  [name: string]: any;
}

/** A quantity as the number pad asks for it: `last` is an earlier value and the words where it was. */
interface Asked extends Quantity {
  name?: string;
  last?: [number, string] | null;
  choice?: string;
}

interface Step {
  amplitude_v: number;
  captured: boolean;
}

/** What is to be done to the outbox: sequences to delete, entries to rewrite. */
interface Settlement {
  gone?: number[];
  changed?: Entry[];
}

/** An entry before it is in the outbox. */
type Fresh = Omit<Entry, "sequence" | "session" | "author" | "state" | "since" | "problem">;

/** An entry as it lies in the browser's database. */
interface Row {
  sequence: number;
  id: Key;
  session: Key;
  author: string | null;
  state: "waiting" | "attention";
  since: number;
  sealed: { iv: Uint8Array<ArrayBuffer>; data: ArrayBuffer };
}

/** What the server says of one entry of a batch. */
interface Answer extends Problem {
  status: string;
  record?: Item | null;
}

/** How the line is. */
interface Line {
  online: boolean;
  lastSeen: number | null;
  needsLogIn: boolean;
  missing: boolean;
  clockAheadS: number;
  failure: string;
}

/** A session that is open on the page. */
interface Open extends Shown {
  session: Item;
}

/** The page as its places see it. */
interface BedsidePage {
  store: import("../../procedures/static/procedures/bedside/store.js").Store;
  /** A place is only shown, and only updated, while there is a session. */
  readonly state: Open;
  go(place?: string): void;
  tell(text: string): void;
  /** The record as the page shows it now. */
  put(
    kind: string,
    payload: Record<string, unknown>,
    options?: { key?: Key | null; version?: number | null; confirmed?: boolean },
  ): Promise<Item>;
}

/** One place of the page; what it needs when something changed, when it is left, and what gets the focus. */
interface Place {
  element: HTMLElement;
  update?: () => void;
  leave?: () => void;
  focus?: () => HTMLElement | null;
}

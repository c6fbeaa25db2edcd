// What the bedside page's worker finds before its first line. Read by the type check only; nothing of it is served.
declare const BUILD: string;
declare const FILES: string[];

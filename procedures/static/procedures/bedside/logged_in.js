// Shown after a log-in that was made beside an open bedside page.
import { CHANNEL } from "./database.js";

new BroadcastChannel(CHANNEL).postMessage({ type: "logged-in" });
if (window.opener) window.close();

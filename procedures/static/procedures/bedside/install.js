// The worker that keeps this page's frame for when there is no line.
export async function installWorker() {
  if (!("serviceWorker" in navigator)) return;
  try {
    await navigator.serviceWorker.register("/sw.js");
  } catch {
    // Without it the page works as long as it is open; only opening it needs the line.
  }
}

// The screen stays awake while the page is in view, where the browser can do it.
export function stayAwake() {
  if (!("wakeLock" in navigator)) return;
  const ask = async () => {
    if (document.visibilityState !== "visible") return;
    try {
      await navigator.wakeLock.request("screen");
      document.body.dataset.awake = "yes";
    } catch {
      // Low battery or no permission: the tablet then dims as it always does.
      document.body.dataset.awake = "no";
    }
  };
  // The browser lets go whenever the page is hidden.
  document.addEventListener("visibilitychange", ask);
  ask();
}

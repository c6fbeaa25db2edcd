// The token of the log-in in force. A page's own field may be older: a log-in in another tab renews the cookie. Only for
// what ends or covers a session; a form that writes keeps its field, so that nothing is written under another name.
export function csrfToken() {
  /** @type {HTMLInputElement | null} */
  const field = document.querySelector("input[name=csrfmiddlewaretoken]");
  return document.cookie.match(/csrftoken=([^;]+)/)?.[1] ?? field?.value ?? "";
}

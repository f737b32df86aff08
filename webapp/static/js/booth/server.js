// Talking to the server: forms out, JSON back, its sentences as errors.

export class Refusal extends Error {
  constructor(message, status) {
    super(message);
    this.status = status;
  }
}

export function csrfToken() {
  return document.querySelector("meta[name=csrf-token]").content;
}

// Sends a form's content and gives back the JSON answer. Throws Refusal with the server's sentence, or
// TypeError when there is no network.
export async function post(url, body, { signal } = {}) {
  const answer = await fetch(url, {
    method: "POST",
    body,
    signal,
    headers: { Accept: "application/json", "X-CSRFToken": csrfToken() },
  });
  return readAnswer(answer);
}

// `background` marks requests that the page makes by itself: they do not keep a sign-in alive.
export async function get(url, { background = false } = {}) {
  const headers = { Accept: "application/json" };
  if (background) headers["X-Background"] = "1";
  return readAnswer(await fetch(url, { headers }));
}

async function readAnswer(answer) {
  let content = null;
  try {
    content = await answer.json();
  } catch {
    throw new Refusal("The server's answer could not be read. Reload the page.", answer.status);
  }
  if (!answer.ok) throw new Refusal(content.error.message, answer.status);
  return content;
}

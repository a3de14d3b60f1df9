// Talks to the service: JSON in and out, problem documents as sentences, one event stream.

export class Refused extends Error {
  constructor(status, reasons) {
    super(reasons.join(" "));
    this.status = status;
    this.reasons = reasons;
  }
}

export async function call(method, path, body) {
  let answer;
  try {
    answer = await fetch(`/api/v1/${path}`, {
      method,
      headers: body === undefined ? {} : { "Content-Type": "application/json" },
      body: body === undefined ? undefined : JSON.stringify(body),
    });
  } catch {
    throw new Refused(0, ["The service does not answer. Is this phone in the shop's network?"]);
  }
  const text = await answer.text();
  let data = null;
  try { data = text ? JSON.parse(text) : null; } catch { data = text; }
  if (answer.ok) return data;
  const reasons = ((data && data.reasons) || []).map((reason) => reason.text);
  throw new Refused(answer.status, reasons.length ? reasons : [(data && (data.detail || data.title)) || "That did not work."]);
}

export const get = (path) => call("GET", path);
export const post = (path, body = {}) => call("POST", path, body);

// The stream is closed while nobody looks: a browser has only six connections to one host.
export function stream({ snapshot, event, lost }) {
  let source = null, timer = 0, retry = 500;
  const close = () => {
    clearTimeout(timer);
    if (source) source.close();
    source = null;
  };
  const open = () => {
    if (source || document.hidden) return;
    source = new EventSource("/api/v1/stream");
    source.addEventListener("snapshot", (message) => { retry = 500; snapshot(JSON.parse(message.data)); });
    source.addEventListener("event", (message) => event(JSON.parse(message.data)));
    source.onerror = () => {
      close();
      timer = setTimeout(open, retry);
      retry = Math.min(retry * 2, 8000);
      lost();
    };
  };
  document.addEventListener("visibilitychange", () => (document.hidden ? close() : open()));
  open();
}

// Questions to the daemon. What nobody asked for by hand says so, or it would keep an unattended session alive.

export class Refused extends Error {
  constructor(status, detail, field) {
    super(detail);
    this.status = status;
    this.field = field;
  }
}

async function answerOf(response) {
  if (response.ok) return response;
  let detail = response.statusText || `error ${response.status}`;
  let field = "";
  try {
    const said = await response.json();
    detail = said.detail || detail;
    field = said.field || "";
  } catch {
    // not JSON: the status line says what there is to say
  }
  throw new Refused(response.status, detail, field);
}

export async function ask(path, { background = true, ...rest } = {}) {
  const headers = background ? { "X-Background": "1" } : {};
  return answerOf(await fetch(path, { headers, redirect: "error", ...rest }));
}

export const askJson = async (path, options) => (await ask(path, options)).json();

export async function change(method, path, body) {
  const headers = { "Content-Type": "application/json" };
  const csrf = document.querySelector('meta[name="csrf"]')?.content;
  if (csrf) headers["X-CSRF-Token"] = csrf;
  const response = await answerOf(
    await fetch(path, { method, headers, body: body === undefined ? undefined : JSON.stringify(body) }),
  );
  return response.status === 204 ? null : response.json();
}

// Follow the server-sent events by fetch rather than EventSource: heartbeats are comments, which EventSource
// keeps to itself, and a page must know when it last heard anything at all.
export async function follow(path, heard, handle, signal) {
  const response = await ask(path, { signal });
  const reader = response.body.pipeThrough(new TextDecoderStream()).getReader();
  let rest = "";
  for (;;) {
    const { value, done } = await reader.read();
    if (done) return;
    heard();
    const blocks = (rest + value).split("\n\n");
    rest = blocks.pop();
    for (const block of blocks) {
      const name = /^event: (.*)$/m.exec(block);
      const data = /^data: (.*)$/m.exec(block);
      if (name && data) handle(name[1], JSON.parse(data[1]));
    }
  }
}

// Photos that could not be sent: they wait on the phone, also when the page is loaded again.
const NAME = "waiting photos";

function opened() {
  return new Promise((done, failed) => {
    const asked = indexedDB.open("spilemark bench", 1);
    asked.onupgradeneeded = () => asked.result.createObjectStore(NAME, { keyPath: "key" });
    asked.onsuccess = () => done(asked.result);
    asked.onerror = () => failed(asked.error);
  });
}

async function work(mode, ask) {
  const base = await opened();
  try {
    return await new Promise((done, failed) => {
      const asked = ask(base.transaction(NAME, mode).objectStore(NAME));
      asked.onsuccess = () => done(asked.result);
      asked.onerror = () => failed(asked.error);
    });
  } finally {
    base.close();
  }
}

// Where a browser keeps nothing, what waits is kept as long as the page is open.
const held = new Map();

/** Keep a photo of a job and side. */
export async function keep(job, arm, file) {
  const row = { key: `${Date.now()} ${file.name} ${file.size}`, job, arm, name: file.name ?? "", file };
  held.set(row.key, row);
  await work("readwrite", (store) => store.put(row)).catch(() => undefined);
}

/** Every photo of a job that waits. */
export async function waiting(job) {
  const stored = await work("readonly", (store) => store.getAll()).catch(() => []);
  for (const row of stored) held.set(row.key, row);
  return [...held.values()].filter((row) => row.job === job);
}

/** Keep one no longer. */
export async function forget(key) {
  held.delete(key);
  await work("readwrite", (store) => store.delete(key)).catch(() => undefined);
}

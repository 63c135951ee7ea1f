// What a tab keeps while the browser is away at a sign-in: gone with the tab, and taken out once.
const OWN = "tank-gateway ";

export function keepInTab(name, value) {
  withStore((store) => store.setItem(OWN + name, JSON.stringify(value)));
}

/** null where nothing was kept. */
export function takeFromTab(name) {
  return withStore((store) => {
    const text = store.getItem(OWN + name);
    store.removeItem(OWN + name);
    return text === null ? null : JSON.parse(text);
  });
}

/** Where the browser lets a page keep nothing, it goes without. */
function withStore(work) {
  try {
    return work(sessionStorage);
  } catch {
    return null;
  }
}

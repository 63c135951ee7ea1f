// Begins the page: language and theme, who is signed in, what is live; then the strip, the ways, one view and the foot.
import { html, render, useEffect, useRef, useState } from "./html.js";
import { usePlace, way } from "./go.js";
import { begin, useSite } from "./live.js";
import { Foot } from "./parts/foot.js";
import { Guarded } from "./parts/guarded.js";
import { Strip } from "./parts/strip.js";
import { comeBack, findOut, isBack, useSession } from "./session.js";
import { useShared } from "./shared.js";
import { dressAlways, languageWanted, taste } from "./taste.js";
import { VIEWS } from "./views/index.js";
import { AGAIN_MS, speak, useWords } from "./words.js";

function Page() {
  const word = useWords();
  useShared(taste);
  const site = useSite();
  const { may } = useSession();
  const { view, rest } = usePlace();
  const known = VIEWS[view];
  const name = word(known ? known.name : "way.unknown");
  const title = [...rest.slice(0, 1), name, site?.name].filter(Boolean).join(" · ");
  const place = useRef(null);
  const here = [view, ...rest].join("/");
  const before = useRef(here);
  useEffect(() => {
    document.title = title;
  }, [title]);
  useEffect(() => {
    document.body.classList.toggle("simulated", Boolean(site?.simulated));
  }, [site]);
  useEffect(() => {
    // Whoever goes on by keyboard or by ear goes on in the new view; nobody is moved at the first.
    if (before.current !== here) {
      place.current?.focus({ preventScroll: true });
      scrollTo(0, 0);
    }
    before.current = here;
  }, [here]);
  return html`
    <a class="skip button" href="#main" onClick=${(event) => (event.preventDefault(), place.current?.focus())}>${word("page.skip")}</a>
    <${Strip} />
    <${Ways} key=${here} view=${view} may=${may} />
    <main id="main" tabindex="-1" ref=${place}>
      ${known ? html`<${Guarded} key=${here}><${known.View} rest=${rest} /><//>` : html`<p>${word("way.nowhere")} <a href=${way("overview")}>${word("way.overview")}</a></p>`}
    </main>
    <${Foot} />
  `;
}

/** In sight on a phone too; the others are a touch away there. */
const FIRST_WAYS = 3;

function Ways({ view, may }) {
  const word = useWords();
  const [open, setOpen] = useState(false);
  const ways = Object.entries(VIEWS).filter(([, each]) => each.way && (!each.permit || may.includes(each.permit)));
  return html`<nav class=${`ways ${open ? "open" : ""}`} aria-label=${word("page.ways")}>
    ${ways.map(([key, each], number) => html`<a key=${key} class=${number < FIRST_WAYS || key === view ? "" : "further"} href=${way(key)} aria-current=${key === view ? "page" : undefined}>${word(each.name)}</a>`)}
    <button type="button" class="plain more-ways" aria-expanded=${String(open)} onClick=${() => setOpen(!open)}>${word(open ? "page.fewer_ways" : "page.more_ways")}</button>
  </nav>`;
}

/** The least that it needs to say anything: asked for until it is there. */
async function learnToSpeak() {
  const isSpoken = () => speak(languageWanted()).catch(() => speak("en")).then(() => true, () => false);
  while (!(await isSpoken())) await new Promise((go) => setTimeout(go, AGAIN_MS));
}

async function start() {
  dressAlways();
  await learnToSpeak();
  taste.watch(() => speak(languageWanted()).catch(() => {}));
  render(html`<${Page} />`, document.getElementById("page"));
  // Where looking needs a sign-in too, nothing is asked for before somebody has come in.
  if (isBack()) await comeBack();
  findOut();
  begin();
}

start();

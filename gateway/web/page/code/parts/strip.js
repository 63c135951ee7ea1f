// The strip across the top: what this watches, how old it is, who is signed in; a whole sentence where it is not live.
import { html, useRef } from "../html.js";
import { way } from "../go.js";
import { fault, lastWord, silenceMs, siteNow, useBeat, useLink, useSite } from "../live.js";
import { useSession } from "../session.js";
import { useShared } from "../shared.js";
import { full, span, withZone } from "../times.js";
import { useWords } from "../words.js";

export function Strip() {
  const word = useWords();
  const link = useLink();
  const site = useSite();
  const { person } = useSession();
  const failed = useShared(fault);
  useBeat(1000);
  const began = useRef(null);
  began.current ??= site?.version ?? null;
  const now = siteNow();
  const ofLink = { silent: "strip.offline", late: "strip.late", starting: "strip.starting", refused: "strip.refused" }[link];
  const doubt = failed ? "strip.failed" : ofLink;
  return html`<header class=${`strip ${doubt ? "doubt" : ""}`}>
    ${doubt &&
    html`<p class="sentence" role="alert">
      ${word(doubt)}${(link === "silent" || link === "late") && ` ${word("strip.last_heard", { age: span(silenceMs() / 1000), time: full(lastWord()) })}`}
    </p>`}
    <span class="site">${site?.name ?? "…"}</span>
    ${site?.simulated && html`<strong>${word("row.simulated")}</strong>`}
    ${site?.time_factor > 1 && html`<span>${word("strip.faster", { factor: site.time_factor })}</span>`}
    ${site && site.version !== began.current && html`<strong role="alert">${word("strip.other_version", { now: site.version, page: began.current })}</strong>`}
    <span>${word("strip.monitoring")}</span>
    ${link === "live" && !failed && html`<span class="quiet">${word("strip.heard", { age: span(silenceMs() / 1000) })}</span>`}
    <span class="push">${person ? word("strip.person", { name: person.name, role: word(`role.${person.role}`) }) : word("strip.nobody")} <a href=${way("person")}>${word(person ? "strip.own" : "strip.sign_in")}</a></span>
    ${now !== null && html`<time class=${doubt ? "struck" : ""} datetime=${new Date(now).toISOString()}>${withZone(now)}</time>`}
  </header>`;
}

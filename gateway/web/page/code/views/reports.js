import { html } from "../html.js";
export function ReportsView() { return html`<h1>reports</h1>`; }

import { html } from "../html.js";
export function StockView() { return html`<h1>stock</h1>`; }

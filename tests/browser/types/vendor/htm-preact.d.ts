/** What the views use of this library; what stands inside a template can't be checked. */
export function html(parts: TemplateStringsArray, ...values: unknown[]): any;
export function render(what: unknown, place: Element): void;
export function h(...given: unknown[]): any;

// The types of what is bundled of lit, as far as the page uses it.
export interface TemplateResult {
  readonly strings: TemplateStringsArray;
  readonly values: unknown[];
}
export interface DirectiveResult {
  readonly values: unknown[];
}
export function html(strings: TemplateStringsArray, ...values: unknown[]): TemplateResult;
export function svg(strings: TemplateStringsArray, ...values: unknown[]): TemplateResult;
export function render(value: unknown, container: HTMLElement | DocumentFragment): unknown;
export const nothing: unique symbol;
export const noChange: unique symbol;
export function repeat<T>(items: Iterable<T>, key: (item: T, index: number) => unknown, template: (item: T, index: number) => unknown): DirectiveResult;
export function keyed(key: unknown, value: unknown): DirectiveResult;
export function guard(on: unknown[], value: () => unknown): DirectiveResult;
export function live(value: unknown): DirectiveResult;
export function ref(callback: (element: Element | undefined) => void): DirectiveResult;

// Style sheets of views that are fetched when they are first asked for.

/** Resolves when the sheet holds. @param {string} name */
export function styles(name) {
  return new Promise((holds, failed) => {
    const link = document.createElement('link');
    Object.assign(link, { rel: 'stylesheet', href: new URL(`../css/${name}.css`, import.meta.url).href, onload: holds });
    link.onerror = () => {
      link.remove();
      failed(new Error(`the style sheet ${name} did not come`));
    };
    document.head.append(link);
  });
}

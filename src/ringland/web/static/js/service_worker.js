// Keeps the shell (styles, scripts, icon) so that a page can say that the server is not there.
// Pages, results and recordings are never kept: what is on the screen always comes from the store.

const shell = [/* the shell */];
const name = `ringland-${shell.join('').replace(/[^0-9a-f]/g, '').slice(-40)}`;
const away = `<!doctype html><html lang="en" data-theme="auto"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1"><title>Ringland is not running</title>
<link rel="stylesheet" href="${shell[0]}"><link rel="stylesheet" href="${shell[1]}"></head><body><main>
<h1>Ringland is not running</h1><p>Nothing was lost. Start it on this computer with <b>ringland serve</b>, then load this page again.
What you had typed is kept in this browser and comes back with the page.</p></main></body></html>`;

self.addEventListener('install', (event) => {
  event.waitUntil(caches.open(name).then((cache) => cache.addAll(shell)).then(() => self.skipWaiting()));
});
self.addEventListener('activate', (event) => {
  event.waitUntil(caches.keys()
    .then((names) => Promise.all(names.filter((n) => n.startsWith('ringland-') && n !== name).map((n) => caches.delete(n))))
    .then(() => self.clients.claim()));
});
self.addEventListener('fetch', (event) => {
  const request = event.request;
  if (request.method !== 'GET') return;
  const url = new URL(request.url);
  if (shell.includes(url.pathname + url.search)) {
    event.respondWith(caches.match(request).then((found) => found ?? fetch(request)));
  } else if (request.mode === 'navigate') {
    event.respondWith(fetch(request).catch(() => new Response(away, { headers: { 'Content-Type': 'text/html; charset=utf-8' } })));
  }
});

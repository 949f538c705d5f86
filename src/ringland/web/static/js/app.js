// Puts the modules together. No page needs more than this file; nothing comes from elsewhere.

import './forms.js';
import './live.js';
import './upload.js';
import './undo.js';
import './keys.js';

if ('serviceWorker' in navigator) navigator.serviceWorker.register('/sw.js').catch(() => { /* private windows refuse it */ });

// Keeps a page up to date: whatever the server says is new is fetched as the page it would be, and put in its place without
// moving what somebody reads, types or has opened. Everything works without this file, by a reload.
"use strict";

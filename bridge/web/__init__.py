"""HTTP and WebSocket: routes, bodies, problems, the page."""

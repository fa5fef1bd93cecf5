"""What a kernel says goes to the page at once: the server's side, for servers that ``workbench lab`` starts.

A kernel answers one message with several small packets.  A socket holds the second back until the first is
acknowledged (RFC 896), for up to 40 ms; this switches that off.  On another server the page speeds it up
(``hurry`` in ``grid/js/grid.js``).
"""

from __future__ import annotations

from typing import Any

from jupyter_server.services.kernels.connection.channels import ZMQChannelsWebsocketConnection


class PromptConnection(ZMQChannelsWebsocketConnection):
    """The usual way between page and kernel, without waiting (Nagle's algorithm)."""

    def connect(self) -> Any:
        """Begin, as soon as the page is there."""
        self.websocket_handler.set_nodelay(True)
        return super().connect()

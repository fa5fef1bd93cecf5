"""What a kernel says reaches the page at once: the server's socket does not wait (TCP_NODELAY of POSIX)."""

import asyncio
import socket
from concurrent.futures import ThreadPoolExecutor

import pytest
from jupyter_server.serverapp import ServerApp
from jupyter_server.services.kernels.connection.channels import ZMQChannelsWebsocketConnection
from jupyter_server.services.kernels.websocket import KernelWebsocketHandler
from tornado.httpserver import HTTPServer
from tornado.testing import bind_unused_port
from tornado.web import Application
from tornado.websocket import WebSocketHandler, websocket_connect

from workbench.commands.connection import PromptConnection
from workbench.commands.lab import PROMPT

#: Jupyter's own packages warn; nothing of ours runs in this process.
pytestmark = pytest.mark.filterwarnings("ignore")


def told(kind, monkeypatch):
    """What the socket of a page's connection is set to once it is connected."""
    monkeypatch.setattr(ZMQChannelsWebsocketConnection, "connect", lambda self: None)  # to no kernel

    class Handler(KernelWebsocketHandler):
        get, prepare, check_origin = WebSocketHandler.get, WebSocketHandler.prepare, WebSocketHandler.check_origin
        select_subprotocol, on_close = WebSocketHandler.select_subprotocol, WebSocketHandler.on_close

        async def open(self):
            kind(websocket_handler=self).connect()
            found = self.ws_connection.stream.socket.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
            self.write_message(str(found))

    async def ask():
        listening, port = bind_unused_port()
        server = HTTPServer(Application([("/", Handler)]))
        server.add_sockets([listening])
        page = await websocket_connect(f"ws://127.0.0.1:{port}/")
        answer = await page.read_message()
        page.close()
        server.stop()
        return bool(int(answer))

    # In a thread of its own: in the tests' own a browser's driver may keep its loop running.
    with ThreadPoolExecutor(1) as thread:
        return thread.submit(lambda: asyncio.run(ask())).result()


def test_the_socket_to_the_page_does_not_wait(monkeypatch):
    assert told(PromptConnection, monkeypatch)
    assert not told(ZMQChannelsWebsocketConnection, monkeypatch)


def test_the_server_is_started_with_it():
    app = ServerApp()
    app.parse_command_line([PROMPT])
    assert app.kernel_websocket_connection_class is PromptConnection

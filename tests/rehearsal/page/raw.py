"""The page's own server in a thread, spoken to without a browser's good manners."""

from __future__ import annotations

import http.client
import json
import socket
import threading

from entrypoint.rehearsal.app import application
from entrypoint.rehearsal.guard import Guard, may_name, new_token
from entrypoint.rehearsal.server import page_server


class Page:
    def __init__(self, exercise):
        self.listening = socket.create_server(("127.0.0.1", 0))
        self.port = self.listening.getsockname()[1]
        self.host = f"127.0.0.1:{self.port}"
        self.token = new_token()
        guard = Guard(
            application(exercise), token=self.token, named=may_name("127.0.0.1", self.port)
        )
        self.server = page_server(guard)
        self.thread = threading.Thread(
            target=self.server.run, kwargs={"sockets": [self.listening]}, daemon=True
        )
        self.thread.start()

    def ask(self, path, *, body=None, token=None, method=None, **headers):
        """Status, headers and body of one request; a header of None is left out."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        given = {name.replace("_", "-"): value for name, value in headers.items()}
        if body is not None:
            own = {"Content-Type": "application/json", "Origin": f"http://{self.host}"}
            given = {**own, **given}
        connection.request(
            method or ("GET" if body is None else "POST"),
            f"/{self.token if token is None else token}/{path}",
            body=body if body is None or isinstance(body, bytes) else json.dumps(body),
            headers={k: v for k, v in given.items() if v is not None},
        )
        answer = connection.getresponse()
        text = answer.read()
        connection.close()
        return answer.status, answer.headers, text

    def json(self, path, body=None):
        status, _, text = self.ask(path, body=body)
        assert status == 200, text
        return json.loads(text)

    def alive(self):
        return self.ask("state")[0] == 200

    def close(self):
        self.server.should_exit = True
        self.thread.join(10)
        self.listening.close()

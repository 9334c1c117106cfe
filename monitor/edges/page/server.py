"""The page's own thread: it serves, and where it cannot it says why and tries again."""

from __future__ import annotations

import logging
import socket
import ssl
import sys
import threading
from collections.abc import Callable

import uvicorn

from monitor.edges.page.access import Door, PassphraseError
from monitor.edges.page.app import make_app
from monitor.edges.page.house import House, Place
from monitor.edges.page.patience import Patient

log = logging.getLogger(__name__)

FIRST_WAIT_S, LONGEST_WAIT_S = 2.0, 300.0
MOST_CONNECTIONS = 400
# How long one thread may keep the interpreter while others wait [s]: the worker comes and goes
# many times for one commit, and readers would make it wait each time.
TURN_S = 0.0005


class PageServer:
    """Serves the page in a thread of its own; its failing never stops the monitor."""

    def __init__(self, place: Place, house: House, monotonic: Callable[[], float]) -> None:
        self._place = place
        self._house = house
        self._monotonic = monotonic
        self._stopping = threading.Event()
        self._server: uvicorn.Server | None = None
        self._thread = threading.Thread(target=self._run, name="page", daemon=True)
        self.trouble: str | None = None

    @property
    def alive(self) -> bool:
        """Whether it answers."""
        return self._server is not None and self._server.started and self._thread.is_alive()

    def start(self) -> None:
        """Begin to serve; returns at once."""
        sys.setswitchinterval(TURN_S)
        self._thread.start()

    def stop(self) -> None:
        """End; pages that are open lose their connection. Safe to repeat."""
        self._stopping.set()
        if self._server is not None:
            self._server.should_exit = True
        if self._thread.is_alive():
            self._thread.join(10.0)

    def _run(self) -> None:
        wait_s, said = FIRST_WAIT_S, ""
        while not self._stopping.is_set():
            began_s = self._monotonic()
            self.trouble = self._serve()
            if self._stopping.is_set():
                return
            if self._monotonic() - began_s > LONGEST_WAIT_S:
                wait_s, said = FIRST_WAIT_S, ""
            if self.trouble != said:
                log.warning("%s", self.trouble)
                said = self.trouble
            self._stopping.wait(wait_s)
            wait_s = min(2 * wait_s, LONGEST_WAIT_S)

    def _serve(self) -> str:
        """Serve until stopped; returns why it ended, in a sentence."""
        place = self._place
        where = f"{place.bind}, port {place.port}"
        try:
            with self._listen() as listening:
                door = Door(place.passphrase_file, self._monotonic)
                secure = place.certificate_file is not None
                app = make_app(self._house, door, place.trusted_hosts, secure)
                self._server = uvicorn.Server(
                    uvicorn.Config(
                        app,
                        http=Patient,
                        ws="none",
                        log_config=None,
                        access_log=False,
                        lifespan="off",
                        server_header=False,
                        proxy_headers=False,
                        limit_concurrency=MOST_CONNECTIONS,
                        timeout_keep_alive=20,
                        timeout_graceful_shutdown=2,
                        ssl_certfile=place.certificate_file,
                        ssl_keyfile=place.key_file,
                    )
                )
                if self._stopping.is_set():
                    return "stopped"
                self.trouble = None
                self._server.run(sockets=[listening])
            return f"The page at {where} has ended."
        except PassphraseError as error:
            return f"The page cannot start: {error}."
        except ssl.SSLError as error:
            return (
                f"The page cannot start: {place.certificate_file} and {place.key_file} do not "
                f"make a certificate and its key ({error.reason}); mend [page] in the settings."
            )
        except OSError as error:
            return (
                f"The page cannot listen at {where} ({error.strerror}); end what uses it, or write "
                "another port under [page] in the settings."
            )
        except (Exception, SystemExit) as error:
            log.exception("The page failed")
            return f"The page at {where} has failed ({error}); it is started again."
        finally:
            self._server = None

    def _listen(self) -> socket.socket:
        place = self._place
        family, kind, protocol, _, address = socket.getaddrinfo(
            place.bind, place.port, type=socket.SOCK_STREAM
        )[0]
        listening = socket.socket(family, kind, protocol)
        try:
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listening.bind(address)
        except OSError:
            listening.close()
            raise
        return listening

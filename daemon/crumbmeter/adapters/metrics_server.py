"""The HTTP server of /metrics, in a thread of its own: it answers even while the loop hangs."""

import threading
from wsgiref.simple_server import WSGIServer

from prometheus_client import start_http_server

from crumbmeter.adapters.prometheus import ScanMetrics
from crumbmeter.model.faults import CrumbmeterError


class MetricsPortBusyError(CrumbmeterError):
    """The port of /metrics cannot be had."""

    def __init__(self, address: str, port: int, cause: str) -> None:
        super().__init__(
            f"/metrics cannot be served on {address}:{port} ({cause}). If another program holds the port, stop it or "
            f"give publish.metrics another port."
        )


class MetricsServer:
    """The HTTP server, in a thread of its own: it answers even while the loop hangs."""

    def __init__(self, metrics: ScanMetrics, address: str, port: int) -> None:
        """Listen at once.

        Args:
            metrics: what is served.
            address: to listen on; loopback unless the site says otherwise.
            port: to listen on; 0 takes a free one.

        Raises:
            MetricsPortBusyError: the port is taken, or the address is none of this machine's.
        """
        self._server: WSGIServer
        self._thread: threading.Thread
        try:
            self._server, self._thread = start_http_server(port, addr=address, registry=metrics.registry)
        except OSError as fault:
            raise MetricsPortBusyError(address, port, fault.strerror or str(fault)) from fault
        self.port: int = self._server.server_port

    def close(self) -> None:
        """Stop and return when the thread is gone."""
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()

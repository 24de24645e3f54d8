"""The page as a server of one notebook, on this machine unless told otherwise.

What is served, what the kernels write while they run and the model lie in one private folder, which goes when the
server ends. Settings that a user or a machine keeps for other notebooks are not read.
"""

from __future__ import annotations

import ipaddress
import logging
import os
import secrets
import signal
import socket
import tempfile
import warnings
import webbrowser
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from typing import Any

from .uploads import LARGEST_BYTES

MODEL_VARIABLE = "LOBETIME_PAGE_MODEL"
"""Names the model file for the page; set by :func:`serve` for its own kernels."""

# Everything comes from the server itself, and the browser refuses whatever would not. The widgets' loader evaluates
# texts and builds modules out of blobs, hence the three words after 'self'.
_POLICY = "; ".join(
    [
        "default-src 'none'",
        "script-src 'self' 'unsafe-inline' 'unsafe-eval' blob:",
        "style-src 'self' 'unsafe-inline'",
        "img-src 'self' data: blob:",
        "font-src 'self' data:",
        "connect-src 'self'",
        "base-uri 'none'",
        "form-action 'self'",
        "frame-ancestors 'none'",
    ]
)
_MESSAGE_BYTES = LARGEST_BYTES + 1_000_000  # a whole upload, and what goes around it
_LONGEST_FOLDER = 40  # characters; a socket's whole path may have 107
_FORGOTTEN_S = 60  # a kernel that no page is connected to ends after so long


def is_loopback(host: str) -> bool:
    """Whether only this machine can reach a server that listens there."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def serve(
    model: bytes | None = None,
    *,
    host: str = "127.0.0.1",
    port: int = 0,
    open_browser: bool = True,
    ready: Callable[[str], None] = lambda url: None,
) -> None:
    """Serves the scheduler's page until it is interrupted or terminated.

    Parameters
    ----------
    model : bytes, optional
        Content of the model file from which slots come; without it, published evidence.
    host
        Where to listen. Anything but a loopback address can be reached by other machines.
    port
        0 = any that is free.
    ready
        Told the address once the server listens; it holds the token without which nobody is let in.

    Raises
    ------
    ImportError
        If the extra ``page`` is not installed.
    OSError
        If the server cannot listen there.
    """
    try:
        import anywidget  # noqa: F401 - the kernel would miss it only once a page is opened
        from voila.app import Voila
    except ImportError as error:
        raise ImportError("the scheduler's page needs voila and anywidget: pip install 'lobetime[page]'") from error

    with tempfile.TemporaryDirectory(prefix="lobetime-") as folder:
        private = Path(folder)
        told = _environment(private)
        if model is not None:
            (private / "model.json").write_bytes(model)
            told[MODEL_VARIABLE] = str(private / "model.json")
        kept = {name: os.environ.get(name) for name in told}
        os.environ.update(told)
        previous = signal.getsignal(signal.SIGHUP)
        try:
            app = _application(Voila, private, host, port, open_browser, ready)
            signal.signal(signal.SIGHUP, signal.getsignal(signal.SIGTERM))  # the terminal was closed
            app.start()
        finally:
            signal.signal(signal.SIGHUP, previous)
            for name, value in kept.items():
                if value is None:
                    os.environ.pop(name, None)
                else:
                    os.environ[name] = value


def _environment(private: Path) -> dict[str, str]:
    """What server and kernels are told: to keep their files in the private folder, and to read no one's settings."""
    (private / "tmp").mkdir()
    path = [str(files("lobetime.page") / "share"), *filter(None, [os.environ.get("JUPYTER_PATH")])]
    return {
        "JUPYTER_PATH": os.pathsep.join(path),
        "TMPDIR": str(private / "tmp"),
        "IPYTHONDIR": str(private / "ipython"),
        "JUPYTER_CONFIG_DIR": str(private / "settings"),
        "JUPYTER_DATA_DIR": str(private / "data"),
        "JUPYTER_RUNTIME_DIR": str(private / "runtime"),
        MODEL_VARIABLE: "",
    }


def _application(
    voila: type[Any], private: Path, host: str, port: int, open_browser: bool, ready: Callable[[str], None]
) -> Any:
    import tornado.httpserver
    import tornado.ioloop
    import tornado.netutil
    from traitlets.config import Config
    from voila.exporter import VoilaMarkdownRenderer

    token = secrets.token_urlsafe(24)
    content = private / "content"
    content.mkdir()
    notebook = content / "scheduler.ipynb"
    notebook.write_bytes((files("lobetime.page") / "scheduler.ipynb").read_bytes())

    class Renderer(VoilaMarkdownRenderer):  # type: ignore[misc]
        """Headings without links to themselves."""

        def __init__(self, **settings: Any) -> None:
            super().__init__(**settings, exclude_anchor_links=True)

    class Server(voila):  # type: ignore[misc]
        """Listens where it is told or not at all, and says where."""

        def listen(self) -> None:
            family = socket.AF_INET6 if ":" in host else socket.AF_INET
            sockets = tornado.netutil.bind_sockets(port, host, family=family)
            tornado.httpserver.HTTPServer(self.app).add_sockets(sockets)
            self.port = sockets[0].getsockname()[1]
            named = f"[{host}]" if ":" in host else socket.gethostname() if host == "0.0.0.0" else host
            url = f"http://{named}:{self.port}/?token={token}"
            ready(url)
            if open_browser:
                # By way of a private file: arguments of a program can be read by everybody on the machine.
                leaf = private / "open.html"
                leaf.write_text(f'<meta http-equiv="refresh" content="0; url={url}">', encoding="utf-8")
                leaf.chmod(0o600)
                webbrowser.open(leaf.as_uri())
            self.ioloop = tornado.ioloop.IOLoop.current()
            try:
                self.ioloop.start()
            except KeyboardInterrupt:
                pass
            finally:
                self.stop()

    settings = Config()
    settings.Voila.config_file_paths = []  # a file of settings is a program, and one may lie about
    settings.Voila.notebook_path = str(notebook)
    settings.Voila.root_dir = str(content)
    settings.Voila.token = token
    settings.Voila.log_level = "ERROR"
    settings.Voila.tornado_settings = {
        "allow_remote_access": not is_loopback(host),  # names that merely resolve to this machine are refused
        "local_hostnames": ["localhost"],
        "headers": {"Content-Security-Policy": _POLICY, "Referrer-Policy": "no-referrer"},
        "websocket_max_message_size": _MESSAGE_BYTES,
        "ws_ping_timeout": 30_000,
    }
    settings.VoilaConfiguration.template = "lobetime"
    settings.VoilaConfiguration.allow_template_override = "NO"
    settings.VoilaConfiguration.allow_theme_override = "NO"
    settings.VoilaConfiguration.strip_sources = True
    settings.VoilaConfiguration.show_tracebacks = False
    settings.VoilaConfiguration.file_allowlist = []
    settings.VoilaConfiguration.file_denylist = [".*"]
    settings.VoilaConfiguration.extension_allowlist = [
        "@jupyter-widgets/jupyterlab-manager",
        "@voila-dashboards/widgets-manager8",
        "anywidget",
    ]
    settings.MappingKernelManager.cull_idle_timeout = _FORGOTTEN_S
    settings.MappingKernelManager.cull_interval = 15
    settings.MappingKernelManager.cull_connected = False
    settings.ZMQChannelsWebsocketConnection.iopub_data_rate_limit = 100_000_000  # a download comes in one piece
    if len(str(private)) <= _LONGEST_FOLDER:
        settings.KernelManager.transport = "ipc"  # by files of this user, not by ports of the machine
    settings.Voila.connection_dir_root = str(private)
    settings.VoilaExporter.markdown_renderer_class = Renderer
    for name in ("tornado.access", "tornado.application", "tornado.general"):
        # Who knocks is of no interest in the terminal, and a traceback may hold what a visitor handed in.
        logging.getLogger(name).setLevel(logging.CRITICAL)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        app = Server(config=settings)
        app.initialize([])
    return app

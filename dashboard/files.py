"""The page's scripts and styles: few files, compressed once, and kept by the browser while they hold.

What Dash would ask for in some forty requests is put together when the server starts: the page's own
scripts in one file, React and Dash's in another, the styles in a third. A file's name tells its content:
a browser that has it never asks again, and one that meets a newer Stokewatch asks for another name.
"""

from __future__ import annotations

import gzip
import hashlib
import mimetypes
import pkgutil
import re
from functools import cached_property
from pathlib import Path
from typing import Any, Final

from dash import Dash
from dash.fingerprint import check_fingerprint
from fastapi import APIRouter, HTTPException
from starlette.requests import Request
from starlette.responses import Response

WHERE: Final = "/files"
KEEP: Final = "public, max-age=31536000, immutable"
UNUSED: Final = ("dash/dcc/", "dash/dash_table/")
"""Component libraries that Dash loads though nothing in the layout is of them: a third of its scripts."""
PLOTLY: Final = ("plotly", "package_data/plotly.min.js")
"""For the rooms that draw with it: they ask for it themselves, four times as large as all the rest."""


class File:
    """A file as it is served.

    Parameters
    ----------
    name : str
        Such as `page.js`; what it is served as has a part in between that tells its content.
    content : bytes
    """

    def __init__(self, name: str, content: bytes) -> None:
        stem, suffix = name.rsplit(".", 1)
        self.content = content
        self.media_type = mimetypes.types_map[f".{suffix}"]
        self.name = f"{stem}.{hashlib.sha256(content).hexdigest()[:16]}.{suffix}"

    @property
    def url(self) -> str:
        """Where it is."""
        return f"{WHERE}/{self.name}"

    @cached_property
    def compressed(self) -> bytes:
        """The same, by gzip; made when it is first asked for."""
        return gzip.compress(self.content, 6, mtime=0)

    def answer(self, request: Request) -> Response:
        """Give the file, compressed for who takes that."""
        headers = {"cache-control": KEEP, "vary": "accept-encoding"}
        if "gzip" not in request.headers.get("accept-encoding", ""):
            return Response(self.content, media_type=self.media_type, headers=headers)
        headers["content-encoding"] = "gzip"
        return Response(self.compressed, media_type=self.media_type, headers=headers)


class Page(Dash):
    """A Dash page whose index asks for the files of this module instead of Dash's own many."""

    @cached_property
    def made(self) -> dict[str, File]:
        """The files, by what they are: page, dash, style, plotly."""
        libraries = re.findall(r'src="([^"]+)"', self._generate_scripts_html())
        return {
            "page": File("page.js", self._own("*.js")),
            # Dash looks for this name in its index.
            "dash": File(
                "dash-renderer.js", b"\n".join(_content(url) for url in libraries if not _unused(url))
            ),
            "style": File("page.css", self._own("*.css")),
            "plotly": File("plotly.js", _packaged(*PLOTLY)),
        }

    def _own(self, which: str) -> bytes:
        # In the order of their names, which begin with a number for that.
        there = sorted(Path(self.config.assets_folder).glob(which))
        return b"\n".join(path.read_bytes() for path in there)

    def files(self) -> APIRouter:
        """Give the endpoint that serves the files."""
        router = APIRouter()
        by_name = {file.name: file for file in self.made.values()}

        @router.get(WHERE + "/{name}")
        def file(name: str, request: Request) -> Response:  # in a thread: the first of all compresses
            if name not in by_name:
                raise HTTPException(404)
            return by_name[name].answer(request)

        return router

    @cached_property
    def _index(self) -> str:
        return super().index()

    def index(self, *args: Any, **kwargs: Any) -> str:
        """Give the document; it is the same for everybody as long as the server runs."""
        return self._index

    def interpolate_index(self, **parts: str) -> str:
        """Fill in the document's parts. Dash calls it."""
        made = self.made
        # What Dash's script asks for when it begins may be on its way by then.
        early = [
            f'<link rel="preload" as="fetch" crossorigin="anonymous" href="/{path}">'
            for path in ("_dash-layout", "_dash-dependencies")
        ]
        parts["css"] = "\n".join(
            [
                f'<link rel="stylesheet" href="{made["style"].url}">',
                *early,
                f'<meta name="plotly" content="{made["plotly"].url}">',
            ]
        )
        # Our own first: they ask for the readings while Dash's are still being read.
        parts["scripts"] = "\n".join(
            f'<script src="{made[which].url}"></script>' for which in ("page", "dash")
        )
        return super().interpolate_index(**parts)


def _content(url: str) -> bytes:
    """What Dash would serve there."""
    package, inside = _suite(url).split("/", 1)
    return _packaged(package, check_fingerprint(inside)[0])


def _suite(url: str) -> str:
    return url.split("/_dash-component-suites/")[1]


def _packaged(package: str, path: str) -> bytes:
    content = pkgutil.get_data(package, path)
    assert content is not None
    return content


def _unused(url: str) -> bool:
    return _suite(url).startswith(UNUSED)

"""Serve the live page: ``python -m collector.page JOB HOST PORT``, with the access code in the environment."""

from __future__ import annotations

import asyncio
import os
import sys
import threading
from pathlib import Path

import uvicorn
from fastapi import FastAPI
from nicegui import app, background_tasks, ui
from starlette.requests import Request

from analysis.vocabulary.errors import StandwatchError
from collector.follow.keep import end_with_parent
from collector.page.guard import CODE_VARIABLE, Guard
from collector.page.model import Model
from collector.page.screen import THEME_COOKIE, build
from collector.page.themes import THEMES
from collector.terminal import warn

POLL_EVERY_S = 1.0
END_WITHIN_S = 1
MOST_CONNECTIONS = 200


def serve(folder: Path, host: str, port: int, code: str) -> None:
    """Serve the page of a job until the process that started this one ends.

    Raises
    ------
    InputError
        The folder is no job.
    """
    model = Model(folder)

    async def follow() -> None:
        while True:
            while model.take(await asyncio.to_thread(model.read)):
                pass
            await asyncio.sleep(POLL_EVERY_S)

    app.on_startup(lambda: background_tasks.create(follow(), name="follow the log"))

    @ui.page("/", title=f"{model.job.job.name} · standwatch")
    def page(request: Request) -> None:
        theme = request.cookies.get(THEME_COOKIE, "")
        build(model, theme if theme in THEMES else "night", shared=bool(code))

    outer = FastAPI(docs_url=None, redoc_url=None, openapi_url=None)
    ui.run_with(outer, dark=None, tailwind=False, show_welcome_message=False, reconnect_timeout=10.0, favicon="⏱")
    server = uvicorn.Server(
        uvicorn.Config(
            Guard(outer, code),
            host=host,
            port=port,
            log_level="warning",
            proxy_headers=False,
            server_header=False,
            timeout_graceful_shutdown=END_WITHIN_S,
            limit_concurrency=MOST_CONNECTIONS,
        )
    )
    stop = threading.Event()
    end_with_parent(stop)

    def wait() -> None:
        stop.wait()
        server.should_exit = True

    threading.Thread(target=wait, name="end", daemon=True).start()
    server.run()


def main() -> None:
    """Read the arguments and serve."""
    folder, host, port = sys.argv[1:4]
    serve(Path(folder), host, int(port), os.environ.pop(CODE_VARIABLE, ""))


if __name__ in ("__main__", "__mp_main__"):
    try:
        main()
    except KeyboardInterrupt:
        pass
    except StandwatchError as error:
        warn(f"page: {error}")
        sys.exit(2)

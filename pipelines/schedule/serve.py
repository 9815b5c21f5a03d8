"""`coldfill schedule`: a Prefect deployment of the flow on a cron, served from here, with a local server of its own.

A run that was missed while nothing served (the machine slept, the process was ended) is caught up once:
what came in meanwhile is in the inbox anyway, so ten missed runs need one.
"""

import asyncio
import json
import logging
import logging.handlers
import os
import signal
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from cronsim import CronSim, CronSimError

from pipelines.schedule.note import run_ended, telling
from pipelines.schedule.state import LOG, NotStarted, home_of, note_failure, serving
from pipelines.schedule.watch import ask_for_run, watch
from pipelines.station.ports import free_port
from pipelines.station.settings import SettingsError, Station
from schemas.snapshot import LAST_PASS

DEPLOYMENT = "station"
START_SECONDS = float(os.environ.get("COLDFILL_SERVER_START_SECONDS", "120"))


def serve_schedule(station: Station, cron: str, port: int) -> None:
    """Serve the schedule until ended.

    Raises
    ------
    SettingsError
        `cron` cannot be read.
    PortTaken
        Another program listens on the port.
    NotStarted
        The local server did not start; its log is named. Or another process serves this station's schedule.
    """
    cron = cron or station.cron
    try:
        CronSim(cron, datetime.now(UTC))
    except CronSimError as error:
        raise SettingsError([f"--cron {cron}: {error}. Five fields: minute, hour, day, month, weekday."]) from None
    free_port(port)
    with serving(station, port, cron, station.watch):
        try:
            with telling(station, cron, station.watch):
                _serve(station, cron, port)
        except NotStarted as error:
            note_failure(station, str(error))
            run_ended(station.published, f"start-{datetime.now(UTC):%Y%m%dT%H%M%S}", str(error))
            raise


def _serve(station: Station, cron: str, port: int) -> None:
    home = home_of(station)
    api = f"http://127.0.0.1:{port}/api"
    os.environ.update(
        {
            "PREFECT_HOME": str(home),
            "PREFECT_API_URL": api,
            "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
            "DO_NOT_TRACK": "1",
            "PREFECT_SERVER_API_HOST": "127.0.0.1",
            "PREFECT_SERVER_API_PORT": str(port),
            "PREFECT_SERVER_UI_API_URL": api,
            "PREFECT_CLOUD_ENABLE_ORCHESTRATION_TELEMETRY": "false",
            "PREFECT_LOGGING_TO_API_WHEN_MISSING_FLOW": "ignore",
        }
    )
    server = _start_server(home, port, api, station.keep.log_mb << 20)
    over = threading.Event()
    ended = signal.signal(signal.SIGTERM, lambda *_: (_ for _ in ()).throw(KeyboardInterrupt()))
    try:
        from prefect.schedules import Cron

        from pipelines.schedule.flow import station_pass

        parameters = {"station_dir": str(station.folder.resolve())}
        asyncio.run(_catch_up(station, cron, parameters))
        if station.watch:
            name = f"{station_pass.name}/{DEPLOYMENT}"
            threading.Thread(
                target=watch, args=(station.inbox, lambda: ask_for_run(name), over), daemon=True, name="watch"
            ).start()
        print(
            f"{station.name} is run on '{cron}' ({station.time_zone})"
            f"{', and within a minute after the inbox has changed' if station.watch else ''}; "
            f"the scheduler's page is {api.removesuffix('/api')} (end with Ctrl-C)",
            flush=True,
        )
        station_pass.serve(
            name=DEPLOYMENT,
            schedule=Cron(cron, timezone=station.time_zone),
            parameters=parameters,
            limit=1,
            pause_on_shutdown=False,
            print_starting_message=False,
        )
    except KeyboardInterrupt:
        pass
    finally:
        over.set()
        signal.signal(signal.SIGTERM, ended)
        _end(server)


def _end(server: subprocess.Popen) -> None:
    server.terminate()
    try:
        server.wait(timeout=15)
    except subprocess.TimeoutExpired:
        server.kill()


def _start_server(home: Path, port: int, api: str, log_bytes: int) -> subprocess.Popen:
    log = home / LOG
    # a session of its own, so that Ctrl-C reaches this process first; the pipe ends it if this process dies
    server = subprocess.Popen(
        [
            sys.executable,
            "-m",
            "pipelines.schedule.server",
            "server",
            "start",
            "--host",
            "127.0.0.1",
            "--port",
            str(port),
        ],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        start_new_session=True,
    )
    threading.Thread(target=_keep_log, args=(server.stdout, log, log_bytes), daemon=True, name="log").start()
    began = time.monotonic()
    while time.monotonic() - began < START_SECONDS:
        if server.poll() is not None:
            raise NotStarted(f"The scheduler's server ended at once; its log is {log}.")
        try:
            with urllib.request.urlopen(f"{api}/health", timeout=2):
                return server
        except (urllib.error.URLError, OSError):
            time.sleep(0.3)
    _end(server)
    raise NotStarted(f"The scheduler's server did not answer within {START_SECONDS:.0f} s; its log is {log}.")


def _keep_log(lines: Any, log: Path, most_bytes: int) -> None:
    """What the server says goes into its log, of which three parts are kept."""
    kept = logging.handlers.RotatingFileHandler(log, maxBytes=most_bytes, backupCount=2, encoding="utf-8")
    for line in lines:
        try:
            kept.emit(logging.makeLogRecord({"msg": line.decode("utf-8", "replace").rstrip("\n")}))
        except (OSError, ValueError):  # a full disk ends no server: its pipe must be read
            continue
    kept.close()


async def _catch_up(station: Station, cron: str, parameters: dict) -> None:
    """Drop every run that is overdue, and put one in its place if the last run is older than the schedule asks."""
    from prefect.client.orchestration import get_client
    from prefect.client.schemas.filters import (
        DeploymentFilter,
        DeploymentFilterName,
        FlowRunFilter,
        FlowRunFilterState,
        FlowRunFilterStateType,
    )
    from prefect.client.schemas.objects import StateType

    from pipelines.schedule.flow import station_pass

    async with get_client() as client:
        runs = await client.read_flow_runs(
            deployment_filter=DeploymentFilter(name=DeploymentFilterName(any_=[DEPLOYMENT])),
            flow_run_filter=FlowRunFilter(
                state=FlowRunFilterState(
                    type=FlowRunFilterStateType(any_=[StateType.SCHEDULED, StateType.PENDING, StateType.RUNNING])
                )
            ),
            limit=200,
        )
        now = datetime.now(UTC)
        for run in runs:  # nothing else serves this deployment: what runs or is due belongs to a process that is gone
            if run.state_type != StateType.SCHEDULED or (run.expected_start_time and run.expected_start_time <= now):
                await client.delete_flow_run(run.id)
        await _forget_runs(client, station, now)
        if _missed(station, cron, now):
            # within a running loop these give coroutines, which their annotations leave open
            dispatched: Any = station_pass
            deployment = await dispatched.to_deployment(name=DEPLOYMENT, parameters=parameters, concurrency_limit=1)
            identity = await deployment.apply()
            await client.create_flow_run_from_deployment(
                identity, parameters=parameters, name=f"caught-up-{now:%Y%m%dT%H%M%S}"
            )


async def _forget_runs(client: Any, station: Station, now: datetime) -> None:
    """Runs that ended longer ago than `[keep]` says leave the scheduler's own list."""
    from prefect.client.schemas.filters import FlowRunFilter, FlowRunFilterEndTime

    if not station.keep.scheduler_days:
        return
    before = now - timedelta(days=station.keep.scheduler_days)
    while old := await client.read_flow_runs(
        flow_run_filter=FlowRunFilter(end_time=FlowRunFilterEndTime(before_=before)), limit=200
    ):
        for run in old:
            await client.delete_flow_run(run.id)


def _missed(station: Station, cron: str, now: datetime) -> bool:
    """Whether the schedule asked for a pass since the last one began."""
    from zoneinfo import ZoneInfo

    try:
        last = datetime.fromisoformat(json.loads((station.published / LAST_PASS).read_text())["started_at"])
    except (OSError, ValueError, KeyError, TypeError):  # none yet, or rubbish
        return True
    zone = ZoneInfo(station.time_zone)
    return next(CronSim(cron, last.astimezone(zone))) <= now.astimezone(zone)

"""The same steps as a Prefect flow: one task run a step, so that its page shows where a run stands and what it says.

Nothing is computed here. `coldfill run` does without Prefect and without this file.
"""

from pathlib import Path

from prefect import flow, get_run_logger
from prefect.runtime import flow_run

from pipelines.schedule.note import run_failed


@flow(name="coldfill-pass", retries=1, retry_delay_seconds=30, on_failure=[run_failed], on_crashed=[run_failed])
def station_pass(station_dir: str) -> dict:
    """One run over a station: intake, build, publish. Safe to repeat; a second run finds nothing new."""
    from pipelines.publish.send import NotSent, send_if_due
    from pipelines.refresh.run import back_up_if_due, run_pass
    from pipelines.schedule.note import run_began, run_ended
    from pipelines.schedule.state import forget_failure, note_failure
    from pipelines.station.backup import BackupRefused
    from pipelines.station.clock import now
    from pipelines.station.settings import load_station

    logger, name = get_run_logger(), str(flow_run.get_name() or "")
    run_began(Path(station_dir) / "published", name)
    station = load_station(Path(station_dir))

    def tell(step: str, done: int, total: int) -> None:
        logger.info("%s (%d of %d)", step, done, total)

    result = run_pass(station, progress=tell, run_name=name)
    for line in result.lines():
        logger.info(line)
    try:
        if said := send_if_due(station, now()):
            logger.info(said)
    except NotSent as error:  # the next run tries again
        logger.error("The morning sheet was not sent. %s", error)
    forget_failure(station)
    wrong = [result.copy_trouble] if result.copy_trouble else []
    try:
        if said := back_up_if_due(station, now()):
            logger.info(said)
    except BackupRefused as error:
        wrong.append(f"No backup. {error}")
    for what in wrong:  # the next run tries again
        logger.error(what)
    if wrong:
        note_failure(station, " ".join(wrong))
    run_ended(station.published, name, " ".join(wrong))
    return result.for_scripts()

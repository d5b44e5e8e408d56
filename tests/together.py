"""Several threads at one moment: two people press at once."""

import threading

from django.db import connection


def at_once(work, *given):
    """What each thread answers, started at one moment; problems among the answers."""
    start, answers = threading.Barrier(len(given)), []

    def run(about):
        try:
            start.wait(timeout=10)
            answers.append(work(about))
        except Exception as problem:
            answers.append(problem)
        finally:
            connection.close()

    threads = [threading.Thread(target=run, args=(about,)) for about in given]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    return answers

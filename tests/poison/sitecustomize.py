"""Loaded by every Python process that has this folder on its path: poisons some properties.

A property named "poison <kind>" then crashes, hangs, or eats memory when it is planned, in workers
and in processes of their own alike. The product itself knows nothing of this.
"""

import importlib.abc
import importlib.util
import os
import signal
import sys
import time

_TARGET = "siting.portfolio.worker"


def _poisoned(name):
    kind = name.removeprefix("poison ")
    if kind == "crash":
        os.kill(os.getpid(), signal.SIGSEGV)
    elif kind == "kill":
        os.kill(os.getpid(), signal.SIGKILL)
    elif kind == "hang":
        import ctypes

        # In C, and never gives way to another thread; it waits for itself, which costs nothing.
        system, lock = ctypes.PyDLL(None), ctypes.create_string_buffer(64)
        system.pthread_mutex_lock(lock)
        system.pthread_mutex_lock(lock)
    elif kind == "memory":
        eaten = []
        while True:
            eaten.append(b"x" * (32 << 20))
            time.sleep(0.02)
    elif kind == "raise":
        raise ZeroDivisionError(kind)
    elif kind == "exit":
        sys.exit(3)
    elif kind == "slow":
        time.sleep(0.3)


class _Finder(importlib.abc.MetaPathFinder):
    def find_spec(self, name, _path, _target=None):
        if name != _TARGET:
            return None
        sys.meta_path.remove(self)
        spec = importlib.util.find_spec(name)
        execute = spec.loader.exec_module

        def patched(module):
            execute(module)
            honest = module.plan

            def plan(site, *args, **options):
                if site.name.startswith("poison "):
                    _poisoned(site.name)
                return honest(site, *args, **options)

            module.plan = plan

        spec.loader.exec_module = patched
        return spec


sys.meta_path.insert(0, _Finder())

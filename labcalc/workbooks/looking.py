"""What JupyterLab lets a person do who may only look."""

from typing import Any

from jupyter_server.auth import Authorizer


class LookingOnly(Authorizer):
    """Let everybody who has the token read; nothing is run, written, renamed, uploaded or removed."""

    def is_authorized(self, handler: Any, user: Any, action: str, resource: str) -> bool:
        return action == "read"

"""How a visitor's dashboard talks to the server: over its standard input and output."""

from textual import messages
from textual.drivers.web_driver import WebDriver


class VisitorDriver(WebDriver):
    """Ends the dashboard when the server is gone, however it went: then its input ends."""

    def run_input_thread(self) -> None:
        """Hand on what the server sends, until it sends no more."""
        super().run_input_thread()
        if not self.exit_event.is_set():
            self._app.post_message(messages.ExitApp())

    def stop_application_mode(self) -> None:
        """Say goodbye, if there still is somebody to say it to."""
        try:
            super().stop_application_mode()
        except OSError:  # the server's end of the pipe is closed
            self.exit_event.set()

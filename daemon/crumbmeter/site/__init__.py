"""Site files and device profiles -> frozen settings, or the list of everything that is wrong with file and line.

Reads files, and touches nothing else. A site is checked as a whole before anything is started; nothing is read from it
afterwards.
"""

from crumbmeter.site.loading import load
from crumbmeter.site.problems import Problem, SiteRefusedError, report, warnings_text
from crumbmeter.site.settings import (
    DeskSettings,
    JournalSettings,
    MetricsSettings,
    MqttSettings,
    NormalRates,
    PublishSettings,
    Site,
    SourceFile,
)

SiteRefused = SiteRefusedError

__all__ = [
    "DeskSettings",
    "JournalSettings",
    "MetricsSettings",
    "MqttSettings",
    "NormalRates",
    "Problem",
    "PublishSettings",
    "Site",
    "SiteRefused",
    "SiteRefusedError",
    "SourceFile",
    "load",
    "report",
    "warnings_text",
]

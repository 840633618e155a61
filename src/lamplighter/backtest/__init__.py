"""How good the battery forecasts have been on the user's own history.

Every battery that has since ended is forecast again from past days on which its end was still ahead: the node's
check-ins, work log and register are cut at that day, and the fleet may only teach what it had shown by then. A straight
line through the last 90 days stands beside each forecast.
"""

from __future__ import annotations

from lamplighter.backtest.page import write_backtest
from lamplighter.backtest.run import backtest
from lamplighter.backtest.summary import BacktestResult, Stand, Summary, backtest_text

__all__ = ["BacktestResult", "Stand", "Summary", "backtest", "backtest_text", "write_backtest"]

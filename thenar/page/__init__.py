"""What every page of thenar is made of: the chart library, our charts over it, and the look.

`uplot.min.js` and `uplot.min.css` are uPlot 1.6.32 as published (MIT, `LICENSE.uplot`), unchanged.
"""

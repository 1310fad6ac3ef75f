"""
What a year of weather drives
=============================

Degree days drive growth, and the decay modifier says how fast organic matter breaks down beside a day at 15 degC. The
gap between the two through the year is why thatch builds.
"""

import matplotlib.pyplot as plt

import matledger as mat

weather = mat.demo_course().weather.slice("2014-01-01", "2014-12-31")
growth = mat.degree_days(weather.tmin_c, weather.tmax_c, lower_c=0)
soil_c = mat.soil_temperature(weather.tmean_c, lag_days=5)
decay = mat.decay_modifier(soil_c)

_, (above, below) = plt.subplots(2, sharex=True, figsize=(8, 5), layout="constrained")
above.plot(weather.dates, growth, linewidth=1)
above.set_ylabel("degree days [degC d]")
below.plot(weather.dates, decay, linewidth=1, color="tab:brown")
below.axhline(1, color="0.6", linewidth=1)
below.set_ylabel("decay modifier [-]")

# %%
# Of the year's growth and decay, this part falls in the five warm months:

warm = (weather.dates >= weather.dates[120]) & (weather.dates < weather.dates[273])
print(f"May to September: {growth[warm].sum() / growth.sum():.0%} of the degree days,", end=" ")
print(f"{decay[warm].sum() / decay.sum():.0%} of the decay")

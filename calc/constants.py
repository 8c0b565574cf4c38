"""Constants with unit and source beside each; derived ones are computed, not typed in."""

from __future__ import annotations

# Base constants.
GAS_CONSTANT = 8.31446261815324  # J/(mol K); exact since the 2019 SI (CODATA 2018)
STANDARD_GRAVITY = 9.80665  # m/s2; exact (3rd CGPM, 1901)
STANDARD_ATMOSPHERE = 101325.0  # Pa; exact (10th CGPM, 1954)
ZERO_CELSIUS = 273.15  # K; exact by definition of the Celsius scale

# Molar masses.
WATER_MOLAR_MASS = 0.01801528  # kg/mol; CAS 7732-18-5, IUPAC 2009 atomic weights
TEG_MOLAR_MASS = 0.15017296  # kg/mol; C6H14O4, CAS 112-27-6, IUPAC 2009 atomic weights
METHANE_MOLAR_MASS = 0.01604246  # kg/mol; CAS 74-82-8, IUPAC 2009 atomic weights
CARBON_DIOXIDE_MOLAR_MASS = 0.0440095  # kg/mol; CAS 124-38-9, IUPAC 2009 atomic weights
AIR_MOLAR_MASS = 0.02896546  # kg/mol; dry air, ISO 6976:2016

# Fixed points and reference states of water.
WATER_CRITICAL_TEMPERATURE = 647.096  # K; IAPWS R2-83(1992)
WATER_CRITICAL_PRESSURE = 22.064e6  # Pa; IAPWS R2-83(1992)
WATER_TRIPLE_TEMPERATURE = 273.16  # K; ITS-90
WATER_TRIPLE_PRESSURE = 611.657  # Pa; Guildner et al. (1976), as used in IAPWS R14-08(2011)
WATER_HEAT_OF_VAPORIZATION = 2.25695e6  # J/kg at 100 degC; 970.3 Btu/lb, steam tables

# The standard cubic metre of this program: ideal gas at 15 degC and 101.325 kPa (ISO 13443:1996).
STANDARD_TEMPERATURE = ZERO_CELSIUS + 15.0  # K
STANDARD_PRESSURE = STANDARD_ATMOSPHERE  # Pa
STANDARD_MOLAR_VOLUME = GAS_CONSTANT * STANDARD_TEMPERATURE / STANDARD_PRESSURE  # m3/mol
WATER_STANDARD_DENSITY = WATER_MOLAR_MASS / STANDARD_MOLAR_VOLUME  # kg per standard m3 of water vapour
AIR_STANDARD_DENSITY = AIR_MOLAR_MASS / STANDARD_MOLAR_VOLUME  # kg per standard m3, ideal gas

# Field units, exact by the international yard and pound agreement of 1959.
FOOT = 0.3048  # m
INCH = FOOT / 12.0  # m
CUBIC_FOOT = FOOT**3  # m3
US_GALLON = 231.0 * INCH**3  # m3
POUND = 0.45359237  # kg
RANKINE = 5.0 / 9.0  # K
PSI = POUND * STANDARD_GRAVITY / INCH**2  # Pa
BTU = 1055.05585262  # J; international table Btu (ISO 31-4)
GRAIN = POUND / 7000.0  # kg
MINUTE = 60.0  # s
HOUR = 3600.0  # s
DAY = 86400.0  # s

"""What plant files hold, as `lehrbook import --help` tells it."""

FORMATS = """\
Files are CSV in UTF-8 with a header line (plant: a JSON object); columns in brackets may be left out or
empty, unknown columns are kept aside and named. Times are ISO 8601 with offset from UTC.

  plant        melter_mass_t, melter_plug_fraction, melter_tanks_in_series, refiner_mass_t,
               refiner_plug_fraction, refiner_tanks_in_series, density_t_per_m3, gross_width_mm, net_width_mm
               [melter_mass_rel_tolerance, melter_plug_tolerance, melter_tanks_low, melter_tanks_high,
               refiner_mass_rel_tolerance, valid_from, plant, time_zone]
  layout       point, distance_m_upstream_of_inspection   (bath_inlet, bath_outlet, lehr_inlet, lehr_outlet,
               inspection, cutter, and any further point; downstream is negative)
  rolls        name, diameter_mm, distance_m_upstream_of_inspection
  line-log     time, ribbon_speed_m_per_min [gross_width_mm, net_width_mm, thickness_mm, pull_t_per_day]
  furnace-log  time, tag, value [unit]
  tracer       run_id, section, introduced, tracer [time, unit, method, sampled_at, tonnes, pull_t_per_day,
               sd, background, added_kg, final, valid_from, note]
  events       event_id, start, kind [end, text]
  sheets       sheet_id, cut_time, ribbon_start_m, x_left_mm, length_mm, width_mm, thickness_mm [pack_id,
               looked_at, looked_by, looked_time, way, customer, grade]
  packs        pack_id, customer, grade, use [shipped_at, destination]
  defects      sheet_id, kind, x_mm, y_mm, found_time [length_mm, width_mm, halo_mm]

Sheets: whether somebody looked at them, whole sheet by whole sheet.
  looked_at    yes, no, or empty: nobody knows. yes alone is enough. A sheet of which nobody knows never
               counts as clean; the trace estimates from the defects how many of them were looked at.
  looked_by, looked_time, way (eye, photo or both)
               only beside yes; each may be empty
  customer     of the sheet's pack, where the pack has none yet; grade: id of the grade the sheet is cut for
A later file may fill in what was not known; what contradicts the books is refused. order_no has no place in
the books yet: it is kept aside, like every unknown column.

A tracer run: one row a sample. What is true of the run as a whole stands in its first row, later rows may
leave it empty.
  section      melter, refiner or melter+refiner: what lies between the tracer and the sample
  introduced   when the tracer went in (method pulse) or the change of cullet or colour began (method step)
  sampled_at   a point of the layout, such as cutter; the way from the bath's inlet to it is taken off by the
               line log. Empty: where the section ends. A melter alone is sampled at its outlet.
  time         of the sample; hours become tonnes drawn by the line log, or by pull_t_per_day (mean since the
               row before). Or tonnes: drawn between the tracer's going in and the sample's leaving.
  background   level without tracer; else samples from before the tracer tell it, and a pulse's last where
               they have settled beside it
  sd           standard deviation of the reading; added_kg: weight of the tracer, for the recovery;
  final        reading of all-new glass after a step; valid_from: from when the run holds (else: introduced)
A tail beyond the last sample is continued as an exponential and told; a record that ends while more than a
third is still to come is refused. A run is used at once in place of the plant figures; page Furnace lets a
lead do without it.
"""

// A chart of which only the rows change keeps its drawing: to compile it and lay it out anew takes several times as long.
// Panel asks for every change as if it were the first. Kept are charts whose rows have a name, unless a click chooses in them.
if (window.vegaEmbed) {
  const embed = window.vegaEmbed;
  const drawings = new WeakMap();

  // Rows come as text, column by column; those of `datasets` in tables of one cell (drawing_pane.py).
  const rows_of = (text) => {
    const columns = JSON.parse(text);
    if (Array.isArray(columns)) return columns;
    const names = Object.keys(columns);
    const row = (i) => {
      const made = {};
      for (const name of names) made[name] = columns[name][i];
      return made;
    };
    return Array.from(columns[names[0]] ?? [], (_, i) => row(i));
  };

  const taken_apart = ({ description, data, datasets, ...rest }) => {
    const { values, ...about } = data ?? {};
    const texts = {};
    for (const [name, table] of Object.entries(datasets ?? {})) texts[name] = table[0].json;
    if (about.name && values) texts[about.name] = values;
    return { texts, description, form: JSON.stringify([Object.keys(texts), about, rest]) };
  };

  const drawn_anew = (place, { data, datasets, ...rest }, { texts }, options) => {
    const spec = { ...rest };
    if (data) spec.data = data.values ? { ...data, values: rows_of(data.values) } : data;
    if (datasets) spec.datasets = Object.fromEntries(Object.keys(datasets).map((name) => [name, rows_of(texts[name])]));
    return embed(place, spec, options);
  };

  const refilled = async (before, { texts, description }, place) => {
    const drawn = await before.result;
    const changed = Object.keys(texts).filter((name) => texts[name] !== before.texts[name]);
    for (const name of changed) drawn.view.data(name, rows_of(texts[name]));
    drawn.view.description(description);
    // Not only other numbers but other shapes, whose outlines may take other room.
    if (changed.length > 1) drawn.view.resize();
    await drawn.view.runAsync();
    // A picture made of what stood here before must not be saved as one of what stands here now.
    for (const link of place.querySelectorAll(".vega-actions a[download]")) link.href = "#";
    return drawn;
  };

  window.vegaEmbed = (place, spec, options) => {
    const given = taken_apart(spec);
    const before = drawings.get(place);
    const result = before?.form === given.form ? refilled(before, given, place) : drawn_anew(place, spec, given, options);
    const can_be_kept = Object.keys(given.texts).length > 0 && !given.form.includes('"params":');
    if (can_be_kept) drawings.set(place, { ...given, result });
    else drawings.delete(place);
    return result;
  };
}

-- The statement of a request for a clamp's fitness, for one look-up: who is calling, and the clamp as they may see it.
\set n random({first}, {last})
select n, enabled, grants_version, roles, all_yards, yards, session_goes_on, state, pending, known_position, known_at,
       reference_version
  from fitness_look_ups(array['{person}'::uuid], array['{session}'::uuid],
                        array[('01930000-0000-7000-8000-' || lpad(to_hex(:n::bigint), 12, '0'))::uuid]);

"""How far apart to stack the orbital planes of a satellite constellation, and what life in those shells will cost.

Public names, in the order of the job, are loaded when they are first used.
"""

import lazy_loader

__version__ = "0.1.0"

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "fleet.patterns": ["walker"],
        "fleet.stack": ["stack"],
        "fleet.order": ["best_order"],
        "fleet.frozen": ["freeze"],
        "fleet.node_rates": ["match_node_rates"],
        "fleet.distances": ["minimum_distance"],
        "fleet.tolerances": ["ControlFaults", "Tolerances"],
        "fleet.radius_difference": ["radius_difference"],
        "fleet.held_planes": ["frozen_surface", "station_keeping_cost"],
        "debris.demo": ["demo_debris"],
        "debris.catalogue": ["read_catalogue"],
        "motion.forces": ["Forces"],
        "motion.control": ["Control"],
        "motion.frozen": ["frozen_orbit"],
        "motion.elements": ["classical", "from_states"],
        "motion.propagation": ["positions", "propagate"],
        "motion.numerical.reference": ["reference"],
        "approaches.search": ["find_approaches"],
        "approaches.volumes": ["Box", "Ellipsoid"],
        "approaches.rates": ["approach_rates", "total_rate"],
        "approaches.averages.spread": ["with_uncertainty"],
        "approaches.kinetic": ["kinetic_rates"],
        "risk.state_errors": ["encounter_errors", "error_classes"],
        "risk.probability": ["collision_probability"],
        "risk.workload": ["avoidance_workload"],
        "risk.numbers": ["encounter_numbers", "rate_numbers"],
        "risk.aggregation": ["collision_risk"],
        "risk.separation.budget": ["separation_budget"],
        "study.configuration": ["Study", "load_study"],
        "study.block": ["choose_separation"],
        "report.delivery": ["run"],
    },
)

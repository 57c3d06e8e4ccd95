"""Simulation: a bench with known truth in, its logs out; for tests, demo and studies, imported by nothing else."""

from thermlab.base.faces import face

__all__, __getattr__, __dir__ = face(
    __name__,
    campaigns="simulate_campaign",
    ladders=(
        "Disturbance SimulatedRoom SimulatedSensors SimulatedTreatment passive_bench simulate_ladder simulate_ladders"
    ),
    logs="DIALECTS LogDialect write_campaign write_logs",
)

/* Where to put the pick-ups, and what to check before power-up. Common practice of the bench; no single source. */
#include "report_pickup_private.h"

typedef struct advice {
    unsigned current, voltage; /* bits of the kinds that it is for; 0: any */
    const char *text;
} advice;

#define BIT(kind) (1u << (kind))
#define WOUND BIT(TW_CURRENT_PICKUP_TRANSFORMER)
#define AIR BIT(TW_CURRENT_PICKUP_ROGOWSKI)
#define LOOP BIT(TW_VOLTAGE_PICKUP_LOOP)

static const advice PLACEMENT[] = {
    {WOUND | AIR, 0,
     "Current: round the coil lead on the resonant capacitors' side. That end is quiet: it moves with the capacitor's "
     "slow voltage, while the bridge's end jumps by the whole rail at each edge and sends spikes through the stray "
     "capacitance."},
    {WOUND, 0,
     "One pass of the lead, straight through the middle of the core; keep the core a coil's radius away from the "
     "winding and its ferrite, and clear of the pan's stray field."},
    {AIR, 0,
     "Close the coil's joint and keep the lead near the middle; the joint away from other conductors that carry the "
     "current back. Ground the integrator at the recorder only."},
    {WOUND, 0,
     "Burden and clamp sit at the winding, not at the far end of the cable: a cable that comes off must not open the "
     "secondary. One end of the burden goes to the recorder's earth."},
    {0, LOOP,
     "Voltage: lay the loop flat on or under the winding, coaxial with it, about three quarters as wide, and "
     "away from the pan's edge and from the leads: there it sees the same flux as the coil, with pan and without."},
    {0, LOOP,
     "Twist the loop's leads and take them out across the turns, on the capacitors' side, so that they pick up neither "
     "flux nor edges."},
    {0, 0, NULL},
};

static const advice CHECKS[] = {
    {WOUND | AIR, 0,
     "Insulation: the lead's own insulation does not count. A sleeve or tube rated for the mains and its transients "
     "(reinforced, with creepage) between lead and pick-up, and it cannot slip."},
    {0, LOOP,
     "Insulation of the loop: mains-rated and good for the heat beside the coil and under a hot pan; no bare end "
     "within "
     "reach of a terminal."},
    {WOUND, 0, "With a meter, power off: burden across the secondary reads its value; lead to secondary reads open."},
    {WOUND, 0, "Clamp diodes soldered to the secondary, both ways round, before the burden can come off."},
    {WOUND | AIR, LOOP,
     "Both pick-ups lie so that an upward current and the voltage that drives it go the same way, or the rig says "
     "reversed."},
    {0, 0, "Probe factors on the probe, on the recorder and in the rig agree; the recorder stays earthed."},
    {WOUND | AIR, 0,
     "A known current first: a low-voltage source through one more turn of wire in the core, or a lamp in series with "
     "the stage; the reading agrees with the scale above."},
    {0, 0, "First power-up from a low, current-limited rail; hands off, discharge and verify before each change."},
    {0, 0, NULL},
};

static const char *nth(const advice *list, const tw_pickup_plan *plan, size_t index) {
    for (; list->text != NULL; list++) {
        const bool current = list->current == 0 || (list->current & BIT(plan->current_kind)) != 0;
        const bool voltage = list->voltage == 0 || (list->voltage & BIT(plan->voltage_kind)) != 0;
        if (current && voltage && index-- == 0) {
            return list->text;
        }
    }
    return NULL;
}

const char *report__pickup_placement(const tw_pickup_plan *plan, size_t index) {
    return nth(PLACEMENT, plan, index);
}

const char *report__pickup_check(const tw_pickup_plan *plan, size_t index) {
    return nth(CHECKS, plan, index);
}

const char *report__current_pickup_word(tw_current_pickup_kind kind) {
    return kind == TW_CURRENT_PICKUP_TRANSFORMER ? "transformer"
           : kind == TW_CURRENT_PICKUP_ROGOWSKI  ? "rogowski"
                                                 : "none";
}

const char *report__voltage_pickup_word(tw_voltage_pickup_kind kind) {
    return kind == TW_VOLTAGE_PICKUP_LOOP ? "loop" : "none";
}

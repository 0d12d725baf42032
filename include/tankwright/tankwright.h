/* tankwright: all public headers of libtankwright at once, for programs that use the library. The rooms themselves
 * include one another's headers by name (docs/decisions/0001-rooms-and-layers.md). */
#ifndef TANKWRIGHT_TANKWRIGHT_H
#define TANKWRIGHT_TANKWRIGHT_H

#include "tankwright/base.h"
#include "tankwright/capture.h"
#include "tankwright/circuit.h"
#include "tankwright/coil.h"
#include "tankwright/numeric.h"
#include "tankwright/pickup.h"
#include "tankwright/plan.h"
#include "tankwright/report.h"
#include "tankwright/reveal.h"
#include "tankwright/rig.h"
#include "tankwright/study.h"
#include "tankwright/uncert.h"
#include "tankwright/units.h"

#endif

/* See line.py. */
#include "common.h"
#include <math.h>

typedef struct {
    Py_ssize_t columns, states, places;
    const double *gain, *price;
    int32_t *line, *came;
    double *total, *best, *from;
} Line;

/* From which state each is best reached; both are kept as doubles, so that one vector holds as many of each. */
FAST static void reach(const Line *it)
{
    double *RESTRICT best = it->best, *RESTRICT from = it->from;
    for (Py_ssize_t state = 0; state < it->states; state++) {
        best[state] = -INFINITY;
        from[state] = 0.0;
    }
    for (Py_ssize_t before = 0; before < it->states; before++) {
        double total = it->total[before], number = (double)before;
        const double *RESTRICT price = it->price + before * it->states;
        for (Py_ssize_t state = 0; state < it->states; state++) {
            double choice = total - price[state];
            from[state] = choice > best[state] ? number : from[state];
            best[state] = choice > best[state] ? choice : best[state];
        }
    }
}

static void search(const Line *it)
{
    for (Py_ssize_t state = 0; state < it->states; state++)
        it->total[state] = 0.0;
    for (Py_ssize_t at = 0; at < it->places; at++) {
        const double *gain = it->gain + at % it->columns * it->states;
        reach(it);
        for (Py_ssize_t state = 0; state < it->states; state++) {
            it->came[at * it->states + state] = (int32_t)it->from[state];
            it->total[state] = it->best[state] + gain[state];
        }
    }
    int32_t best = 0;
    for (int32_t state = 1; state < it->states; state++)
        best = it->total[state] > it->total[best] ? state : best;
    for (Py_ssize_t at = it->places - 1; at >= 0; at--) {
        it->line[at] = best;
        best = it->came[at * it->states + best];
    }
}

static const Argument arguments[] = {
    {"gain", 'd', 0, 2, {-1, -2}}, {"price", 'd', 0, 2, {-2, -2}}, {"line", 'i', 1, 1, {-3}}};

PyObject *best_line_kernel(PyObject *self, PyObject *args)
{
    Arrays arrays;
    (void)self;
    if (open_only_arrays(args, arguments, 3, &arrays) < 0)
        return NULL;
    Py_ssize_t columns = arrays.length[0], states = arrays.length[1], places = arrays.length[2];
    int fits = columns > 0 && states > 0;
    char *memory = PyMem_Malloc((size_t)states * (3 * sizeof(double) + (size_t)places * sizeof(int32_t)) + 1);
    if (memory && fits) {
        double *total = (double *)memory;
        Line it = {columns,
                   states,
                   places,
                   arrays.view[0].buf,
                   arrays.view[1].buf,
                   arrays.view[2].buf,
                   (int32_t *)(total + 3 * states),
                   total,
                   total + states,
                   total + 2 * states};
        Py_BEGIN_ALLOW_THREADS
        search(&it);
        Py_END_ALLOW_THREADS
    }
    return end_kernel(&arrays, memory, fits ? NULL : "gain: holds no column or no state");
}

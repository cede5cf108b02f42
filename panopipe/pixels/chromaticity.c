/* See chromaticity.py. */
#include "common.h"

#define DARK 1e-9f

typedef struct {
    const float *nodes;
    int side;
    float scale, start;
} Table;

/* Node up and to the left of each pixel's chromaticity, and the way from there to the next. */
typedef struct {
    float sum[BLOCK], right[BLOCK], down[BLOCK];
    int32_t node[BLOCK];
} Places;

INLINE void find_places(const Planes *RESTRICT light, Table table, Places *RESTRICT places)
{
    float last = (float)(table.side - 1);
    for (int i = 0; i < BLOCK; i++) {
        float sum = most_of(light->red[i] + light->green[i] + light->blue[i], DARK);
        float across = light->red[i] / sum * table.scale + table.start;
        float along = light->green[i] / sum * table.scale + table.start;
        across = least_of(most_of(across, 0), last);
        along = least_of(most_of(along, 0), last);
        int column = (int)least_of(across, last - 1), row = (int)least_of(along, last - 1);
        places->sum[i] = sum;
        places->right[i] = across - (float)column;
        places->down[i] = along - (float)row;
        places->node[i] = row * table.side + column;
    }
}

/* By the table, four planes to a pixel: a function of its own, so that compilers keep all four together. */
FAST static void read_changes(Table table, const Places *RESTRICT places, int count, float *RESTRICT change)
{
    for (int i = 0; i < count; i++) {
        const float *upper = table.nodes + 4 * (Py_ssize_t)places->node[i];
        const float *lower = upper + 4 * (Py_ssize_t)table.side;
        float right = places->right[i], down = places->down[i], sum = places->sum[i];
        for (int k = 0; k < 4; k++) {
            float above = upper[k] + right * (upper[k + 4] - upper[k]);
            float below = lower[k] + right * (lower[k + 4] - lower[k]);
            change[4 * i + k] = (above + down * (below - above)) * sum;
        }
    }
}

FAST static void shift(float *pixels, Py_ssize_t count, Table table)
{
    Planes light = {{0}, {0}, {0}};
    Places places;
    float change[4 * BLOCK];
    for (Py_ssize_t first = 0; first < count; first += BLOCK) {
        int taken = count - first < BLOCK ? (int)(count - first) : BLOCK;
        float *own = pixels + 3 * first;
        take_apart(own, taken, &light);
        find_places(&light, table, &places);
        read_changes(table, &places, taken, change);
        for (int i = 0; i < taken; i++)
            for (int k = 0; k < 3; k++)
                own[3 * i + k] += change[4 * i + k];
    }
}

static const Argument arguments[] = {{"pixels", 'f', 1, 2, {-1, 3}}, {"table", 'f', 0, 3, {-2, -2, 4}}};

PyObject *shift_kernel(PyObject *self, PyObject *args)
{
    PyObject *given[2];
    Arrays arrays;
    float scale, start;
    (void)self;
    if (!PyArg_ParseTuple(args, "OOff", &given[0], &given[1], &scale, &start)
        || open_arrays(given, arguments, 2, &arrays) < 0)
        return NULL;
    if (arrays.length[1] < 2 || arrays.length[1] > 1 << 12) {
        PyErr_SetString(PyExc_ValueError, "table: takes 2 to 4096 nodes a side");
        close_arrays(&arrays);
        return NULL;
    }
    Table table = {arrays.view[1].buf, (int)arrays.length[1], scale, start};
    Py_BEGIN_ALLOW_THREADS
    shift(arrays.view[0].buf, arrays.length[0], table);
    Py_END_ALLOW_THREADS
    close_arrays(&arrays);
    Py_RETURN_NONE;
}

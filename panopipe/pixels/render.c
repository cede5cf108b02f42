/* See render.py. */
#include "functions.h"

typedef struct {
    float luminance[3], screen[9], from_screen[9], change[9], screen_luminance[3];
} Weights;

typedef struct {
    float white_point, knee, headroom, channel_share;
} Shoulder;

/* Curves of one row by level and column, and where its pixels lie among them. */
typedef struct {
    const float *gains, *shares; /* shares may be NULL: no views */
    int levels, columns;
    float lowest, per_level, first_column, per_column;
} Curves;

INLINE float weighed(const float *w, float red, float green, float blue)
{
    return w[0] * red + w[1] * green + w[2] * blue;
}

INLINE float between(float low, float x, float high) { return least_of(most_of(x, low), high); }

/* Places among the curves: index of the node before, and the way to the next in level and column. */
typedef struct {
    int32_t node[BLOCK];
    float up[BLOCK], right[BLOCK];
} Places;

INLINE void find_places(const float *RESTRICT luminance, const Curves *RESTRICT curves, int first,
                               Places *RESTRICT places)
{
    float top = (float)(curves->levels - 1), edge = (float)(curves->columns - 1);
    for (int i = 0; i < BLOCK; i++) {
        float level = (log_2(most_of(luminance[i], 1e-30f)) - curves->lowest) * curves->per_level;
        float column = (float)(first + i) * curves->per_column + curves->first_column;
        level = between(0, level, top);
        column = between(0, column, edge);
        int below = (int)least_of(level, top - 1), left = (int)least_of(column, edge - 1);
        places->up[i] = level - (float)below;
        places->right[i] = column - (float)left;
        places->node[i] = below * curves->columns + left;
    }
}

FAST static void read_curves(const float *RESTRICT nodes, int columns, const Places *RESTRICT places,
                             float *RESTRICT values)
{
    float corner[4][BLOCK];
    for (int i = 0; i < BLOCK; i++) {
        const float *node = nodes + places->node[i];
        corner[0][i] = node[0];
        corner[1][i] = node[1];
        corner[2][i] = node[columns];
        corner[3][i] = node[columns + 1];
    }
    for (int i = 0; i < BLOCK; i++) {
        float below = corner[0][i] + places->right[i] * (corner[1][i] - corner[0][i]);
        float above = corner[2][i] + places->right[i] * (corner[3][i] - corner[2][i]);
        values[i] = below + places->up[i] * (above - below);
    }
}

INLINE void change_views(Planes *RESTRICT light, const float *RESTRICT change,
                                const float *RESTRICT share)
{
    for (int i = 0; i < BLOCK; i++) {
        float red = light->red[i], green = light->green[i], blue = light->blue[i];
        light->red[i] = red + share[i] * weighed(change, red, green, blue);
        light->green[i] = green + share[i] * weighed(change + 3, red, green, blue);
        light->blue[i] = blue + share[i] * weighed(change + 6, red, green, blue);
    }
}

INLINE float lowered(float light, const Shoulder *s, float bend)
{
    float inside = between(s->knee, light, s->white_point);
    float part = (inside - s->knee) * (1 / (1 - s->knee));
    return part * part / (1 + part) * bend + most_of(light - inside, 0);
}

INLINE void roll_off(Planes *RESTRICT light, const Weights *RESTRICT w, const Shoulder *RESTRICT s)
{
    float luminance[BLOCK], strongest[BLOCK], room = (s->white_point - s->knee) / (1 - s->knee);
    float bend = (1 - s->knee) * (1 - 1 / (room * room));
    Planes channels;
    int any = 0;
    for (int i = 0; i < BLOCK; i++) {
        float red = light->red[i], green = light->green[i], blue = light->blue[i];
        float own = weighed(w->luminance, red, green, blue), part = own * s->headroom;
        channels.red[i] = weighed(w->screen, red, green, blue) * (1 + s->headroom) - part;
        channels.green[i] = weighed(w->screen + 3, red, green, blue) * (1 + s->headroom) - part;
        channels.blue[i] = weighed(w->screen + 6, red, green, blue) * (1 + s->headroom) - part;
        luminance[i] = own;
        strongest[i] = most_of(most_of(channels.red[i], channels.green[i]), channels.blue[i]);
        any |= strongest[i] > s->knee;
    }
    if (!any)
        return;
    for (int i = 0; i < BLOCK; i++) {
        float red = channels.red[i], green = channels.green[i], blue = channels.blue[i];
        float own = luminance[i], lost_light = lowered(own, s, bend), shown = own - lost_light;
        float lost = lowered(strongest[i], s, bend) - lost_light;
        float kept = 1 - between(0, lost / most_of(strongest[i] - own, 1e-6f), 1);
        float red_alone = red - lowered(red, s, bend);
        float green_alone = green - lowered(green, s, bend);
        float blue_alone = blue - lowered(blue, s, bend);
        float missing = shown - weighed(w->screen_luminance, red_alone, green_alone, blue_alone);
        float white = missing / most_of(1 - shown + missing, 1e-6f);
        float scale = 1 / (1 + s->headroom);
        float red_kept = (red - own) * kept, green_kept = (green - own) * kept, blue_kept = (blue - own) * kept;
        red_alone = red_alone + white * (1 - red_alone) - shown;
        green_alone = green_alone + white * (1 - green_alone) - shown;
        blue_alone = blue_alone + white * (1 - blue_alone) - shown;
        red = shown + (red_kept + s->channel_share * (red_alone - red_kept)) * scale;
        green = shown + (green_kept + s->channel_share * (green_alone - green_kept)) * scale;
        blue = shown + (blue_kept + s->channel_share * (blue_alone - blue_kept)) * scale;
        int over = strongest[i] > s->knee;
        light->red[i] = over ? weighed(w->from_screen, red, green, blue) : light->red[i];
        light->green[i] = over ? weighed(w->from_screen + 3, red, green, blue) : light->green[i];
        light->blue[i] = over ? weighed(w->from_screen + 6, red, green, blue) : light->blue[i];
    }
}

FAST static void render_row(float *row, int width, const Curves *curves, const Weights *weights,
                            const Shoulder *shoulder)
{
    Planes light = {{0}, {0}, {0}};
    Places places;
    float luminance[BLOCK], value[BLOCK];
    for (int first = 0; first < width; first += BLOCK) {
        int count = width - first < BLOCK ? width - first : BLOCK;
        take_apart(row + 3 * first, count, &light);
        for (int i = 0; i < BLOCK; i++)
            luminance[i] = weighed(weights->luminance, light.red[i], light.green[i], light.blue[i]);
        find_places(luminance, curves, first, &places);
        if (curves->shares) {
            read_curves(curves->shares, curves->columns, &places, value);
            change_views(&light, weights->change, value);
        }
        read_curves(curves->gains, curves->columns, &places, value);
        for (int i = 0; i < BLOCK; i++) {
            float gain = exp_2(between(-126, value[i], 126));
            light.red[i] *= gain;
            light.green[i] *= gain;
            light.blue[i] *= gain;
        }
        if (shoulder->white_point > 0)
            roll_off(&light, weights, shoulder);
        put_together(&light, count, row + 3 * first);
    }
}

/* A row of curves, between the two nearest of a table. */
FAST static void curves_between(const float *RESTRICT upper, const float *RESTRICT lower, float part,
                                Py_ssize_t count, float *RESTRICT out)
{
    for (Py_ssize_t i = 0; i < count; i++)
        out[i] = (lower[i] - upper[i]) * part + upper[i];
}

static void curves_of_row(const float *table, Py_ssize_t rows, Py_ssize_t size, double place, float *out)
{
    Py_ssize_t above = (Py_ssize_t)place;
    above = above < 0 ? 0 : above > rows - 2 ? rows - 2 : above;
    const float *upper = table + above * size;
    curves_between(upper, upper + size, (float)(place - (double)above), size, out);
}

static const Argument arguments[] = {{"rows", 'f', 1, 3, {-1, -2, 3}},
                                     {"gains", 'f', 0, 3, {-3, -4, -5}},
                                     {"shares", 'f', 0, 3, {-6, -4, -5}},
                                     {"weights", 'f', 0, 2, {11, 3}}};

PyObject *render_kernel(PyObject *self, PyObject *args)
{
    PyObject *given[4];
    Arrays arrays;
    Curves curves;
    Shoulder shoulder;
    Py_ssize_t first;
    (void)self;
    if (!PyArg_ParseTuple(args, "OOOOnffffff", &given[0], &given[1], &given[2], &given[3], &first,
                          &curves.lowest, &curves.per_level, &shoulder.white_point, &shoulder.knee,
                          &shoulder.headroom, &shoulder.channel_share)
        || open_arrays(given, arguments, 4, &arrays) < 0)
        return NULL;
    Py_ssize_t count = arrays.length[0], width = arrays.length[1], tables = arrays.length[2];
    Py_ssize_t size = arrays.length[3] * arrays.length[4], views = arrays.length[5];
    float *memory = NULL;
    if (tables < 3 || arrays.length[3] < 2 || arrays.length[4] < 3 || (views && views != tables)
        || size > 1 << 24 || width < 2 || width > 1 << 22)
        PyErr_SetString(PyExc_ValueError, "curves: too few or too many, or not as many shares as gains");
    else if (!(memory = PyMem_Malloc(2 * size * sizeof(float))))
        PyErr_NoMemory();
    if (!memory) {
        close_arrays(&arrays);
        return NULL;
    }
    curves.levels = (int)arrays.length[3];
    curves.columns = (int)arrays.length[4];
    curves.gains = memory;
    curves.shares = views ? memory + size : NULL;
    curves.per_column = (float)((double)(curves.columns - 2) / (double)width);
    curves.first_column = 0.5f * curves.per_column + 0.5f;
    double per_row = (double)(tables - 2) / (double)(width / 2);
    float *rows = arrays.view[0].buf;
    Py_BEGIN_ALLOW_THREADS
    for (Py_ssize_t row = 0; row < count; row++) {
        double place = ((double)(first + row) + 0.5) * per_row + 0.5;
        curves_of_row(arrays.view[1].buf, tables, size, place, memory);
        if (views)
            curves_of_row(arrays.view[2].buf, tables, size, place, memory + size);
        render_row(rows + 3 * row * width, (int)width, &curves, arrays.view[3].buf, &shoulder);
    }
    Py_END_ALLOW_THREADS
    PyMem_Free(memory);
    close_arrays(&arrays);
    Py_RETURN_NONE;
}

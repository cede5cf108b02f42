/* See render.py. */
#include "functions.h"

typedef struct {
    float luminance[3], screen[9], from_screen[9], change[9], screen_luminance[3], balance[3];
} Weights;

typedef struct {
    float white_point, knee, headroom, crowded, channel_share, per_tint, glow, per_glow;
} Shoulder;

/* What the curves of a place say at a level. */
typedef struct {
    float gain, share;
} Node;

/* Curves of one row by column and level, and where its pixels lie among them. */
typedef struct {
    const Node *nodes;
    int columns, levels;
    float lowest, per_level, first_column, per_column;
} Curves;

INLINE float weighed(const float *w, float red, float green, float blue)
{
    return w[0] * red + w[1] * green + w[2] * blue;
}

/* Where a ramp over balanced channels begins, and how steep it is. */
typedef struct {
    float low, per_light;
} Ramp;

INLINE float between(float low, float x, float high) { return least_of(most_of(x, low), high); }

INLINE float eased(float x, Ramp ramp)
{
    float part = between(0, (x - ramp.low) * ramp.per_light, 1);
    return part * part * (3 - 2 * part);
}

/* Places among the curves: index of the node before, and the way to the next in level and column. */
typedef struct {
    int32_t node[BLOCK];
    float up[BLOCK], right[BLOCK], level[BLOCK];
} Places;

/* Where the pixels of a row lie among the columns of a table. */
typedef struct {
    int columns;
    float first_column, per_column;
} Grid;

/* A zone with gains of its own, in one row: its gains by column and level, its share as a plane over level and
   colour, and gains of its channels, each by columns of another grid. */
typedef struct {
    float *gains, *planes, *relit;
    Grid of_planes, of_relit;
} Zone;

/* How far light saturated no sensor, 1 to 0. */
INLINE float unsaturated(float red, float green, float blue, const float *balance, Ramp saturating)
{
    float least = least_of(least_of(red * balance[0], green * balance[1]), blue * balance[2]);
    return 1 - eased(least, saturating);
}

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
        places->level[i] = level;
        places->up[i] = level - (float)below;
        places->right[i] = column - (float)left;
        places->node[i] = left * curves->levels + below;
    }
}

/* Gain and share of each pixel: first between columns, below and above its level, then between levels. In a
   function of its own, so that compilers keep the four values together. */
FAST static void read_curves(const Curves *curves, const Places *RESTRICT places, float *RESTRICT values)
{
    for (int i = 0; i < BLOCK; i++) {
        const float *left = &curves->nodes[places->node[i]].gain, *right = left + 2 * curves->levels;
        float both[4];
        for (int k = 0; k < 4; k++)
            both[k] = left[k] + places->right[i] * (right[k] - left[k]);
        for (int k = 0; k < 2; k++)
            values[2 * i + k] = both[k] + places->up[i] * (both[k + 2] - both[k]);
    }
}

INLINE int column_of(const Grid *grid, int pixel, float *right)
{
    float column = (float)pixel * grid->per_column + grid->first_column;
    column = between(0, column, (float)(grid->columns - 1));
    int left = (int)least_of(column, (float)(grid->columns - 2));
    *right = column - (float)left;
    return left;
}

/* Whether any pixel from first to last may belong to the zone, or be changed around it. */
INLINE int in_zone(const Zone *zone, int first, int last)
{
    float part;
    int from = column_of(&zone->of_planes, first, &part), to = column_of(&zone->of_planes, last, &part) + 1;
    for (int i = 4 * from; i < 4 * to + 4; i++)
        if (zone->planes[i] != 0)
            return 1;
    if (!zone->of_relit.columns)
        return 0;
    from = column_of(&zone->of_relit, first, &part), to = column_of(&zone->of_relit, last, &part) + 1;
    for (int i = from; i <= to; i++)
        for (int k = 3; k < 6; k++)
            if (zone->relit[6 * i + k] != 1)
                return 1;
    return 0;
}

/* Gains of pixels in the zone, by their share of it, which is all changed. */
FAST static void change_zone(const Zone *zone, Planes *RESTRICT light, const Places *RESTRICT places,
                             int first, int levels, const float *balance, Ramp saturating,
                             float *RESTRICT values)
{
    for (int i = 0; i < BLOCK; i++) {
        float part, at[4];
        const float *plane = &zone->planes[4 * column_of(&zone->of_planes, first + i, &part)];
        for (int k = 0; k < 4; k++)
            at[k] = plane[k] + part * (plane[k + 4] - plane[k]);
        float sum = most_of(light->red[i] + light->green[i] + light->blue[i], 1e-30f);
        float red = between(0, light->red[i] / sum, 1), blue = between(0, light->blue[i] / sum, 1);
        float share = between(0, places->level[i] * at[0] + red * at[1] + blue * at[2] + at[3], 1);
        const float *left = &zone->gains[places->node[i]], *right = left + levels;
        float low = left[0] + places->right[i] * (right[0] - left[0]);
        float high = left[1] + places->right[i] * (right[1] - left[1]);
        float own = low + places->up[i] * (high - low);
        values[2 * i] += share * (own - values[2 * i]);
        values[2 * i + 1] += share * (1 - values[2 * i + 1]);
        if (!zone->of_relit.columns)
            continue;
        const float *relit = &zone->relit[6 * column_of(&zone->of_relit, first + i, &part)];
        for (int k = 0; k < 3; k++) {
            float within = relit[k] + part * (relit[k + 6] - relit[k]);
            float around = relit[k + 3] + part * (relit[k + 9] - relit[k + 3]);
            at[k] = (around - 1) + share * (within - around);
        }
        float whole = unsaturated(light->red[i], light->green[i], light->blue[i], balance, saturating);
        light->red[i] += (whole * at[0]) * light->red[i];
        light->green[i] += (whole * at[1]) * light->green[i];
        light->blue[i] += (whole * at[2]) * light->blue[i];
    }
}

INLINE void change_views(Planes *RESTRICT light, const float *RESTRICT change, const float *balance,
                         Ramp saturating, const float *RESTRICT values)
{
    for (int i = 0; i < BLOCK; i++) {
        float red = light->red[i], green = light->green[i], blue = light->blue[i];
        float share = values[2 * i + 1] * unsaturated(red, green, blue, balance, saturating);
        light->red[i] = red + share * weighed(change, red, green, blue);
        light->green[i] = green + share * weighed(change + 3, red, green, blue);
        light->blue[i] = blue + share * weighed(change + 6, red, green, blue);
    }
}

/* What a channel loses that is away from luminance, in a light that is `left` below white. */
INLINE float gives_way(float away, float per_left, float left, float crowded, float wide)
{
    float past = most_of(away * per_left - crowded, 0) * wide;
    return past * past / (1 + past) * ((1 - crowded) * left);
}

/* What is left of the way from luminance to each channel, whatever room there is: tints, glowing light and what
   was rebuilt run into white, colours keep their saturation. */
INLINE float faded(float own, float shown, float flat, float spread, float measured, const Shoulder *s)
{
    Ramp glow = {s->glow, s->per_glow};
    float fade = flat * flat * flat, per_own = 1 / most_of(own, 1e-6f);
    float tints = spread * per_own * s->per_tint, cubed = tints * tints * tints;
    float coloured = cubed / (1 + cubed) * (1 - eased(own, glow)) * measured;
    return fade + coloured * most_of(shown * per_own - fade, 0);
}

INLINE void roll_off(Planes *RESTRICT light, const float *RESTRICT measured, const Weights *RESTRICT w,
                     const Shoulder *RESTRICT s)
{
    float luminance[BLOCK], strongest[BLOCK], room = (s->white_point - s->knee) / (1 - s->knee);
    float bend = (1 - s->knee) * (1 - 1 / (room * room)), scale = 1 / (1 - s->knee);
    float crowded = s->crowded, wide = 1 / (1 - s->crowded);
    Planes channels;
    int over[BLOCK], any = 0;
    for (int i = 0; i < BLOCK; i++) {
        float red = light->red[i], green = light->green[i], blue = light->blue[i];
        float own = weighed(w->luminance, red, green, blue);
        channels.red[i] = (weighed(w->screen, red, green, blue) - own) * (1 + s->headroom);
        channels.green[i] = (weighed(w->screen + 3, red, green, blue) - own) * (1 + s->headroom);
        channels.blue[i] = (weighed(w->screen + 6, red, green, blue) - own) * (1 + s->headroom);
        luminance[i] = own;
        strongest[i] = most_of(most_of(channels.red[i], channels.green[i]), channels.blue[i]);
        over[i] = (own > s->knee) | (strongest[i] > (1 - own) * crowded);
        any |= over[i];
    }
    if (!any)
        return;
    for (int i = 0; i < BLOCK; i++) {
        float red = channels.red[i], green = channels.green[i], blue = channels.blue[i], own = luminance[i];
        float inside = between(s->knee, own, s->white_point), part = (inside - s->knee) * scale;
        float shown = own - (part * part / (1 + part) * bend + most_of(own - inside, 0));
        float left = 1 - shown, flat = 1 - most_of(shown - s->knee, 0) * scale;
        float weakest = least_of(least_of(red, green), blue);
        float back = 1 / (1 + s->headroom), spread = (strongest[i] - weakest) * back;
        float fade = faded(own, shown, flat, spread, measured[i], s);
        float per_left = fade / most_of(left, 1e-6f);
        float red_lost = gives_way(red, per_left, left, crowded, wide);
        float green_lost = gives_way(green, per_left, left, crowded, wide);
        float blue_lost = gives_way(blue, per_left, left, crowded, wide);
        float lost = most_of(most_of(red_lost, green_lost), blue_lost);
        float kept = fade - lost / most_of(strongest[i], 1e-6f);
        float red_kept = red * kept, green_kept = green * kept, blue_kept = blue * kept;
        float red_alone = red * fade - red_lost;
        float green_alone = green * fade - green_lost;
        float blue_alone = blue * fade - blue_lost;
        float missing = -weighed(w->screen_luminance, red_alone, green_alone, blue_alone);
        float white = missing / most_of(left + missing, 1e-6f);
        red_alone = red_alone + white * (left - red_alone);
        green_alone = green_alone + white * (left - green_alone);
        blue_alone = blue_alone + white * (left - blue_alone);
        red = shown + (red_kept + s->channel_share * (red_alone - red_kept)) * back;
        green = shown + (green_kept + s->channel_share * (green_alone - green_kept)) * back;
        blue = shown + (blue_kept + s->channel_share * (blue_alone - blue_kept)) * back;
        channels.red[i] = weighed(w->from_screen, red, green, blue);
        channels.green[i] = weighed(w->from_screen + 3, red, green, blue);
        channels.blue[i] = weighed(w->from_screen + 6, red, green, blue);
    }
    for (int i = 0; i < BLOCK; i++) {
        light->red[i] = over[i] ? channels.red[i] : light->red[i];
        light->green[i] = over[i] ? channels.green[i] : light->green[i];
        light->blue[i] = over[i] ? channels.blue[i] : light->blue[i];
    }
}

WIDE static void render_row(float *row, int width, const Curves *curves, int has_views, const Zone *zone,
                            const Weights *weights, Ramp saturating, Ramp rebuilt, const Shoulder *shoulder)
{
    Planes light = {{0}, {0}, {0}};
    Places places;
    float luminance[BLOCK], measured[BLOCK], values[2 * BLOCK];
    const float *balance = weights->balance;
    for (int first = 0; first < width; first += BLOCK) {
        int count = width - first < BLOCK ? width - first : BLOCK;
        take_apart(row + 3 * first, count, &light);
        for (int i = 0; i < BLOCK; i++) {
            float red = light.red[i], green = light.green[i], blue = light.blue[i];
            luminance[i] = weighed(weights->luminance, red, green, blue);
            float most = most_of(most_of(red * balance[0], green * balance[1]), blue * balance[2]);
            measured[i] = 1 - eased(most, rebuilt);
        }
        find_places(luminance, curves, first, &places);
        read_curves(curves, &places, values);
        if (zone->of_planes.columns && in_zone(zone, first, first + count - 1))
            change_zone(zone, &light, &places, first, curves->levels, balance, saturating, values);
        if (has_views)
            change_views(&light, weights->change, balance, saturating, values);
        for (int i = 0; i < BLOCK; i++) {
            float gain = exp_2(between(-126, values[2 * i], 126));
            light.red[i] *= gain;
            light.green[i] *= gain;
            light.blue[i] *= gain;
        }
        if (shoulder->white_point > 0)
            roll_off(&light, measured, weights, shoulder);
        put_together(&light, count, row + 3 * first);
    }
}

/* Curves of a row, between those of the two nearest rows of the tables; `shares` may be NULL. */
FAST static void curves_of_row(const float *gains, const float *shares, Py_ssize_t size, float part,
                               Node *RESTRICT nodes)
{
    for (Py_ssize_t i = 0; i < size; i++) {
        nodes[i].gain = (gains[i + size] - gains[i]) * part + gains[i];
        nodes[i].share = shares ? (shares[i + size] - shares[i]) * part + shares[i] : 0;
    }
}

/* Values of a row between those of the two nearest rows of a table. */
FAST static void values_of_row(const float *table, Py_ssize_t size, float part, float *RESTRICT values)
{
    for (Py_ssize_t i = 0; i < size; i++)
        values[i] = (table[i + size] - table[i]) * part + table[i];
}

/* Where a row of a frame lies among the rows of a table that is continued by one on both sides. */
typedef struct {
    Py_ssize_t above;
    float part;
} RowPlace;

static RowPlace place_of_row(Py_ssize_t row, Py_ssize_t tables, Py_ssize_t width)
{
    double place = ((double)row + 0.5) * ((double)(tables - 2) / (double)(width / 2)) + 0.5;
    Py_ssize_t above = place < 0 ? 0 : place > (double)(tables - 2) ? tables - 2 : (Py_ssize_t)place;
    RowPlace found = {above, (float)(place - (double)above)};
    return found;
}

static Grid grid_of(Py_ssize_t columns, Py_ssize_t width)
{
    float per_column = (float)((double)(columns - 2) / (double)width);
    Grid grid = {(int)columns, 0.5f * per_column + 0.5f, per_column};
    return grid;
}

static const Argument arguments[] = {{"rows", 'f', 1, 3, {-1, -2, 3}},
                                     {"gains", 'f', 0, 3, {-3, -4, -5}},
                                     {"shares", 'f', 0, 3, {-6, -4, -5}},
                                     {"zone_gains", 'f', 0, 3, {-7, -4, -5}},
                                     {"zone_planes", 'f', 0, 3, {-8, -9, 4}},
                                     {"zone_relit", 'f', 0, 3, {-10, -11, 6}},
                                     {"weights", 'f', 0, 2, {12, 3}}};

PyObject *render_kernel(PyObject *self, PyObject *args)
{
    PyObject *given[7];
    Arrays arrays;
    Curves curves;
    Zone zone;
    Shoulder shoulder;
    Ramp saturating, rebuilt;
    Py_ssize_t first;
    (void)self;
    if (!PyArg_ParseTuple(args, "OOOOOOOnffffffffffffff", &given[0], &given[1], &given[2], &given[3], &given[4],
                          &given[5], &given[6], &first, &curves.lowest, &curves.per_level,
                          &saturating.low, &saturating.per_light, &rebuilt.low, &rebuilt.per_light,
                          &shoulder.white_point, &shoulder.knee, &shoulder.headroom, &shoulder.crowded,
                          &shoulder.channel_share, &shoulder.per_tint, &shoulder.glow, &shoulder.per_glow)
        || open_arrays(given, arguments, 7, &arrays) < 0)
        return NULL;
    const Py_ssize_t *length = arrays.length;
    Py_ssize_t count = length[0], width = length[1], tables = length[2], size = length[3] * length[4];
    Py_ssize_t views = length[5], zones = length[6], planes = length[7], across = 4 * length[8];
    Py_ssize_t relit = length[9], along = 6 * length[10];
    Node *nodes = NULL;
    if (tables < 3 || length[3] < 3 || length[4] < 2 || (views && views != tables) || size > 1 << 24 || width < 2
        || width > 1 << 22)
        PyErr_SetString(PyExc_ValueError, "curves: too few or too many, or not as many shares as gains");
    else if (zones && (zones != tables || planes < 3 || length[8] < 3 || length[8] > 1 << 22))
        PyErr_SetString(PyExc_ValueError, "zone: not as many gains as those of the frame, or too few planes");
    else if (relit && (relit < 3 || length[10] < 3 || length[10] > 1 << 22))
        PyErr_SetString(PyExc_ValueError, "zone: too few gains of its channels, or too many");
    else if (!(nodes = PyMem_Malloc(size * sizeof *nodes + (size + across + along) * sizeof(float))))
        PyErr_NoMemory();
    if (!nodes) {
        close_arrays(&arrays);
        return NULL;
    }
    curves.nodes = nodes;
    curves.columns = (int)length[3];
    curves.levels = (int)length[4];
    curves.per_column = (float)((double)(curves.columns - 2) / (double)width);
    curves.first_column = 0.5f * curves.per_column + 0.5f;
    zone.gains = (float *)(nodes + size);
    zone.planes = zone.gains + size;
    zone.relit = zone.planes + across;
    zone.of_planes = grid_of(zones ? length[8] : 0, width);
    zone.of_relit = grid_of(zones && relit ? length[10] : 0, width);
    float *rows = arrays.view[0].buf;
    const float *gains = arrays.view[1].buf, *shares = views ? arrays.view[2].buf : NULL;
    const float *zone_gains = arrays.view[3].buf, *zone_planes = arrays.view[4].buf;
    const float *zone_relit = arrays.view[5].buf;
    Py_BEGIN_ALLOW_THREADS
    for (Py_ssize_t row = 0; row < count; row++) {
        RowPlace place = place_of_row(first + row, tables, width);
        Py_ssize_t start = place.above * size;
        curves_of_row(gains + start, shares ? shares + start : NULL, size, place.part, nodes);
        if (zones) {
            values_of_row(zone_gains + start, size, place.part, zone.gains);
            place = place_of_row(first + row, planes, width);
            values_of_row(zone_planes + place.above * across, across, place.part, zone.planes);
        }
        if (zone.of_relit.columns) {
            place = place_of_row(first + row, relit, width);
            values_of_row(zone_relit + place.above * along, along, place.part, zone.relit);
        }
        render_row(rows + 3 * row * width, (int)width, &curves, views > 0, &zone, arrays.view[6].buf, saturating, rebuilt,
                   &shoulder);
    }
    Py_END_ALLOW_THREADS
    PyMem_Free(nodes);
    close_arrays(&arrays);
    Py_RETURN_NONE;
}

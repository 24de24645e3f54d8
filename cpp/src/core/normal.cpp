#include <lobetime/core/errors.hpp>
#include <lobetime/core/normal.hpp>

#include <boost/math/distributions/normal.hpp>

namespace lobetime {

double normal_quantile(double p) {
    if (!(p > 0.0 && p < 1.0)) throw InvalidArgument("normal_quantile: p must lie strictly between 0 and 1");
    return boost::math::quantile(boost::math::normal_distribution<double>(0.0, 1.0), p);
}

}  // namespace lobetime

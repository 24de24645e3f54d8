#include <lobetime/model/layout.hpp>

#include <algorithm>
#include <unordered_set>
#include <utility>

namespace lobetime {
namespace {

// A group's level is a log ratio; five-fold either way is beyond any surgeon or device.
constexpr double kGroupBound = 1.6;

std::vector<std::string> distinct(const std::vector<std::string>& codes) {
    std::vector<std::string> found;
    std::unordered_set<std::string> seen;
    for (const auto& code : codes) {
        if (!code.empty() && seen.insert(code).second) found.push_back(code);
    }
    return found;
}

int position(const std::vector<std::string>& codes, const std::string& code) {
    const auto it = std::find(codes.begin(), codes.end(), code);
    return it == codes.end() || code.empty() ? -1 : static_cast<int>(it - codes.begin());
}

}  // namespace

ModelLayout::ModelLayout(std::vector<std::string> surgeons, std::vector<std::string> devices)
    : surgeons_(std::move(surgeons)), devices_(std::move(devices)) {
    for (const auto& row : core_parameters()) names_.emplace_back(row.name);
    for (const auto& code : devices_) names_.push_back("device[" + code + "]");
    for (const auto& code : surgeons_) names_.push_back("surgeon_enucleation[" + code + "]");
    for (const auto& code : surgeons_) names_.push_back("surgeon_morcellation[" + code + "]");
}

ModelLayout ModelLayout::from_cases(const CaseTable& cases) {
    return ModelLayout(distinct(cases.surgeon), distinct(cases.device));
}

int ModelLayout::surgeon_position(const std::string& code) const { return position(surgeons_, code); }
int ModelLayout::device_position(const std::string& code) const { return position(devices_, code); }

Transform ModelLayout::transform(int parameter) const {
    return parameter < param::Count ? core_parameters()[static_cast<std::size_t>(parameter)].transform
                                    : Transform::identity;
}

std::string ModelLayout::unit(int parameter) const {
    return parameter < param::Count ? std::string(core_parameters()[static_cast<std::size_t>(parameter)].unit)
                                    : "log ratio";
}

std::string ModelLayout::meaning(int parameter) const {
    if (parameter < param::Count) return std::string(core_parameters()[static_cast<std::size_t>(parameter)].meaning);
    if (parameter < surgeon_enucleation_index(0)) return "blade rate of this device against its class";
    return parameter < surgeon_morcellation_index(0) ? "enucleation time of this surgeon against the unit"
                                                     : "blade time of this surgeon against the unit";
}

double ModelLayout::lower(int parameter) const {
    return parameter < param::Count ? core_parameters()[static_cast<std::size_t>(parameter)].lower : -kGroupBound;
}

double ModelLayout::upper(int parameter) const {
    return parameter < param::Count ? core_parameters()[static_cast<std::size_t>(parameter)].upper : kGroupBound;
}

}  // namespace lobetime
